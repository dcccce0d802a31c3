// One sample: the picture, the kernel that is chosen, and what is said of it.
import { t, get, make, tell, fetchJSON, put, remembered, thisTab } from "./common.js";
import { Viewer } from "./viewer.js";
import { boundsOf, contains, dashes, flagLetters } from "./outlines.js";
import { Edits } from "./edits.js";
import { Cut, Join, Add } from "./tools.js";

const sample = get("sample");
const code = sample.dataset.code;
const here = "/sample/" + encodeURIComponent(code);
const revision = Number(sample.dataset.revision);
const changeable = sample.dataset.present === "true";
const stage = get("stage");

let saved = null; // the document as saved
let savedResult = get("result").innerHTML;
let doc = null; // … and with the corrections that are not yet saved
let picture = null; // of doc, that is shown
let chosen = null;
let edits = null;
let leaving = false;
let saving = false;

const viewer = new Viewer(stage, get("canvas"), {
  pick: (kernel) => choose(kernel, { tells: true }),
  trouble(text) {
    get("picture-trouble").hidden = !text;
    get("picture-trouble").textContent = text;
  },
});

// nameOf says which kernel it is and what it was judged as.
function nameOf(k) { return t("Kernel %d: %s", k.id, k.shown) + (k.hand === "corrected" ? ", " + t("corrected by hand") : k.hand === "made" ? ", " + t("made by hand") : ""); }

function placed(k, side) {
  const [x0, y0, x1, y1] = boundsOf(k.outline);
  const size = Math.ceil(1.3 * Math.max(x1 - x0, y1 - y0)); // with some of what lies around
  return `${picture.crop}&x=${Math.round((x0 + x1 - size) / 2)}&y=${Math.round((y0 + y1 - size) / 2)}&w=${size}&h=${size}&to=${side}`;
}

const viewKey = "traytally-view-" + code;

async function begin() {
  try {
    saved = await fetchJSON(here + "/kernels" + (changeable ? "" : "?revision=" + revision));
  } catch (refusal) {
    get("loading").textContent = refusal.text;
    return;
  }
  get("loading").hidden = true;
  if (changeable && saved.revision !== revision) { leaving = true; location.reload(); return; } // another was saved just now
  take(saved, savedResult);
  restoreView();
  if (!changeable) { return; }
  edits = new Edits({ code, revision: saved.revision, base: saved.corrections, gone: t("it is not there any more"), changed, refused, busy });
  fillFlags();
  fillEdits();
  const kept = await edits.restore();
  if (kept) { tellKept(kept); }
}

// take shows a document and the result that goes with it.
function take(next, result) {
  const at = chosen && chosen.at;
  doc = next;
  const n = picture ? picture.number : 1;
  picture = doc.pictures.find((p) => p.number === n) || doc.pictures[0];
  viewer.show(picture);
  if (result !== undefined) { put(get("result"), result); }
  fillLegend();
  fillStrip();
  if (at) { choose(picture.kernels.find((k) => contains(k.outline, at[0], at[1])) || null, {}); } else { choose(null, {}); }
}

// Where one looked stays when the page is loaded anew in this tab.
function restoreView() {
  let v = null;
  try { v = JSON.parse(remembered.get(thisTab, viewKey)); } catch { /* the whole picture, then */ }
  if (!v || !doc.pictures.some((p) => p.number === v.picture)) { return; }
  if (v.picture !== picture.number) { showPicture(v.picture); }
  viewer.centre(v.x, v.y, v.scale);
  if (v.at) { choose(viewer.at(...v.at), {}); }
}
addEventListener("pagehide", () => {
  if (!picture || viewer.scale === undefined) { return; }
  remembered.set(thisTab, viewKey, viewer.scale === viewer.fitting && !chosen ? null : JSON.stringify({ picture: picture.number, at: chosen && chosen.at, ...viewer.view() }));
});

function showPicture(n) {
  picture = doc.pictures.find((p) => p.number === n);
  endTool();
  viewer.show(picture);
  choose(null, {});
  if (get("picture")) { get("picture").value = String(n); }
}
get("picture")?.addEventListener("change", (e) => showPicture(Number(e.target.value)));

// choose shows a kernel in the panel; null lets go. closely brings it near.
function choose(kernel, { tells, closely }) {
  chosen = kernel;
  viewer.choose(kernel);
  if (kernel && (tells || closely)) { viewer.reveal(kernel, closely); }
  get("chosen-head").textContent = kernel ? nameOf(kernel) : t("No kernel chosen");
  get("chosen-none").hidden = Boolean(kernel);
  get("chosen-body").hidden = !kernel;
  if (kernel) {
    get("chosen-crop").src = placed(kernel, 264);
    get("chosen-crop").alt = nameOf(kernel);
    get("chosen-measures").replaceChildren(...kernel.measures.flatMap(([label, value]) => [make("dt", {}, label), make("dd", {}, value)]));
    get("chosen-doubts").replaceChildren(...kernel.doubts.map((d) => make("li", {}, d)));
  }
  get("chosen-why").replaceChildren(...(kernel ? kernel.why : []).map((w) => make("li", {}, w)));
  for (const b of document.querySelectorAll("[data-do]")) { b.disabled = !edits || !kernel && b.dataset.do !== "add"; }
  showFlags();
  markStrip();
  if (tells) { tell(kernel ? nameOf(kernel) + (kernel.doubts.length ? ". " + kernel.doubts.join(". ") : "") : t("No kernel chosen")); }
}

// The strip of doubtful kernels.
const stripStep = 40; // kernels: a few screens of them at a time
let stripShown = stripStep;
let stripAt = -1; // of the last one that was gone to
const crops = new Map();
function fillStrip() {
  const strip = get("strip");
  const list = doc.doubtful.slice(0, stripShown);
  const focused = strip.contains(document.activeElement) ? document.activeElement.dataset.key : "";
  strip.replaceChildren(...list.map(({ picture: n, kernel: id }) => {
    const p = doc.pictures.find((p) => p.number === n), k = p.kernels.find((k) => k.id === id);
    const key = n + "/" + id + "/" + k.at;
    let b = crops.get(key);
    if (!b) {
      const was = picture;
      picture = p;
      b = make("button", { type: "button", "data-key": key }, make("img", { src: placed(k, 160), alt: "", width: 80, height: 80, loading: "lazy" }), make("span"));
      picture = was;
      b.addEventListener("click", () => goTo(n, id));
      crops.set(key, b);
    }
    b.lastChild.textContent = k.shown;
    b.setAttribute("aria-label", nameOf(k) + ". " + k.doubts.join(". "));
    return b;
  }));
  if (focused) { (crops.get(focused)?.isConnected ? crops.get(focused) : stage).focus({ preventScroll: true }); }
  get("strip-count").textContent = t("%d kernels", doc.doubtful.length);
  get("next-doubtful").disabled = doc.doubtful.length === 0;
  get("more-doubtful").hidden = doc.doubtful.length <= stripShown;
  markStrip();
}
function markStrip() {
  const key = chosen ? picture.number + "/" + chosen.id + "/" + chosen.at : "";
  for (const b of get("strip").children) {
    const on = b.dataset.key === key;
    b.setAttribute("aria-pressed", String(on));
    if (on) { get("strip").scrollLeft = b.offsetLeft - get("strip").clientWidth / 2; }
  }
  rove(get("strip").querySelector("[aria-pressed=true]") || get("strip").firstChild);
}

// One button of the strip is reached by Tab, the others from it by arrows.
function rove(to) { for (const b of get("strip").children) { b.tabIndex = b === to ? 0 : -1; } }
get("strip").addEventListener("keydown", (e) => {
  const list = [...get("strip").children], at = list.indexOf(e.target);
  const next = { ArrowLeft: list[at - 1], ArrowRight: list[at + 1], Home: list[0], End: list.at(-1) }[e.key];
  if (at < 0 || !next) { return; }
  e.preventDefault();
  rove(next);
  next.focus();
});
get("more-doubtful").addEventListener("click", () => { stripShown += stripStep; fillStrip(); });
get("next-doubtful").addEventListener("click", () => nextDoubtful(1));

function goTo(n, id) {
  if (picture.number !== n) { showPicture(n); }
  stripAt = doc.doubtful.findIndex((d) => d.picture === n && d.kernel === id);
  stage.scrollIntoView({ block: "nearest" });
  choose(picture.kernels.find((k) => k.id === id), { tells: true, closely: true });
}

function nextDoubtful(by) {
  const list = doc.doubtful;
  if (!list.length) { tell(t("No kernel is doubtful.")); return; }
  const now = chosen ? list.findIndex((d) => d.picture === picture.number && d.kernel === chosen.id) : -1;
  // One that was just corrected has left the list: the next took its place.
  let at = now >= 0 ? now + by : by > 0 && stripAt < 0 ? 0 : stripAt + (by > 0 ? 0 : -1);
  at = Math.max(0, Math.min(list.length - 1, at));
  if (at >= stripShown) { stripShown = at + stripStep; fillStrip(); }
  goTo(list[at].picture, list[at].kernel);
}

// The legend, drawn as the picture has it.
function fillLegend() {
  const counts = new Map();
  for (const p of doc.pictures) {
    for (const k of p.kernels) {
      const c = counts.get(k.class) || { letter: k.letter, name: k.shown, n: 0 };
      c.n++;
      if (!k.flags.length) { c.name = k.shown; } // the class alone
      counts.set(k.class, c);
    }
  }
  const items = [];
  const swatch = (draw) => {
    const c = make("canvas", { width: 96, height: 48, "aria-hidden": "true" }), ctx = c.getContext("2d");
    ctx.fillStyle = viewer.colours.tray;
    ctx.fillRect(0, 0, 96, 48);
    ctx.scale(2, 2);
    draw(ctx);
    return c;
  };
  const ring = (ctx, colour, width, dash) => { ctx.beginPath(); ctx.ellipse(24, 12, 18, 7, 0, 0, 7); ctx.strokeStyle = colour; ctx.lineWidth = width; ctx.setLineDash(dash); ctx.stroke(); ctx.setLineDash([]); };
  const letter = (ctx, text) => { ctx.font = "700 10px system-ui, sans-serif"; ctx.fillStyle = "#fff"; ctx.textAlign = "center"; ctx.textBaseline = "middle"; ctx.fillText(text, 24, 12.5); };
  for (const name of Object.keys(dashes)) {
    const c = counts.get(name);
    if (!c) { continue; }
    items.push(make("li", {}, swatch((ctx) => { ring(ctx, viewer.colours[name], 2, dashes[name]); letter(ctx, c.letter); }), `${c.name}: ${c.n}`));
  }
  const double = (dash) => swatch((ctx) => { ring(ctx, viewer.colours.hand, 6, dash); ring(ctx, viewer.colours.tray, 3.6, []); ring(ctx, viewer.colours.head, 1.6, []); });
  items.push(make("li", {}, double([]), t("corrected by hand")), make("li", {}, double([7, 4]), t("made by hand")));
  if (doc.pictures.some((p) => p.groups.length)) {
    items.push(make("li", {}, swatch((ctx) => { ctx.setLineDash([5, 3]); ctx.strokeStyle = viewer.colours.group; ctx.strokeRect(6, 4, 36, 16); }), t("touching kernels, not taken apart")));
  }
  for (const f of doc.flags) {
    if (flagLetters[f.code] && doc.pictures.some((p) => p.kernels.some((k) => k.flags.includes(f.code)))) {
      items.push(make("li", {}, swatch((ctx) => letter(ctx, "•" + flagLetters[f.code])), f.name));
    }
  }
  get("legend").querySelector("ul").replaceChildren(...items);
}

// What can be said of the chosen kernel.
function fillFlags() {
  const flags = doc.flags.filter((f) => f.code !== "foreign"); // that is "not rice"
  get("flags").querySelector("div").replaceChildren(...flags.map((f, i) => {
    const b = make("button", { type: "button", "data-flag": f.code, "aria-pressed": "false", "aria-keyshortcuts": String(i + 1) }, f.name + " ", make("kbd", {}, String(i + 1)));
    b.addEventListener("click", () => toggle(f.code));
    return b;
  }));
  showFlags();
  choose(chosen, {});
}
function showFlags() {
  if (!get("flags")) { return; }
  get("flags").disabled = !edits || !chosen;
  for (const b of get("flags").querySelectorAll("button")) { b.setAttribute("aria-pressed", String(Boolean(chosen && chosen.flags.includes(b.dataset.flag)))); }
}
function toggle(flag) {
  if (!edits || !chosen) { return; }
  const has = chosen.flags.includes(flag);
  say({ do: has ? "unflag" : "flag", flag });
}

// say lays a correction on the chosen kernel.
function say(correction) {
  const c = { ...correction, picture: picture.number };
  if (c.do !== "add") { c.at = chosen.at; }
  edits.add(c, wordsOf(c) + (chosen && c.do !== "add" ? " · " + t("kernel %d", chosen.id) : ""));
}

function flagName(flag) { return doc.flags.find((f) => f.code === flag)?.name || flag; }

function wordsOf(c) {
  switch (c.do) {
    case "right": return t("Rightly judged");
    case "whole": return t("Whole");
    case "broken": return t("Broken");
    case "not_rice": return t("Not rice");
    case "gone": return t("Not there");
    case "cut": return t("Cut in two");
    case "join": return t("Joined");
    case "add": return t("Added");
    case "flag": return t("Flag set: %s", flagName(c.flag));
    case "unflag": return t("Flag taken off: %s", flagName(c.flag));
  }
  return c.do;
}

function act(kind) {
  if (!edits || !chosen && kind !== "add") { return; }
  switch (kind) {
    case "cut":
      viewer.reveal(chosen, true);
      startTool(new Cut(viewer, toolHooks((ends) => say({ do: "cut", line: ends.map(rounded) })), chosen));
      break;
    case "join":
      startTool(new Join(viewer, toolHooks((other) => say({ do: "join", with: other.at })), chosen, nameOf));
      break;
    case "add":
      startTool(new Add(viewer, toolHooks((outline) => say({ do: "add", outline }))));
      break;
    default:
      say({ do: kind });
  }
}
function rounded([x, y]) { return [Math.round(x * 10) / 10, Math.round(y * 10) / 10]; }

function toolHooks(done) { return { done: (what) => { endTool(); done(what); }, cancel: () => { endTool(); tell(t("Cancelled")); }, tell }; }
function startTool(tool) {
  endTool();
  viewer.tool = tool;
  stage.classList.add("draws");
  get("tools").hidden = true;
  get("mode").hidden = false;
  get("mode-hint").textContent = tool.hint;
  get("mode-keys").textContent = tool.keys;
  get("mode-done").hidden = tool instanceof Join;
  tell(tool.hint + " " + tool.keys);
  stage.focus({ preventScroll: true });
  stage.scrollIntoView({ block: "nearest" });
  viewer.draw();
}
function endTool() {
  viewer.tool = null;
  stage.classList.remove("draws");
  get("mode").hidden = true;
  get("tools").hidden = false;
  viewer.draw();
}
get("mode-done").addEventListener("click", () => viewer.tool?.finish());
get("mode-cancel").addEventListener("click", () => viewer.tool?.cancel());

for (const b of document.querySelectorAll("[data-do]")) { b.addEventListener("click", () => act(b.dataset.do)); }

// Steps that count, and those that do not.
function changed(answer) {
  const newest = edits.steps.at(-1)?.add;
  if (answer && newest?.do === "add" && edits.steps.length > reckoned) { // what was just drawn is what one looks at
    const n = newest.outline.length, middle = newest.outline.reduce(([x, y], p) => [x + p[0] / n, y + p[1] / n], [0, 0]);
    chosen = { at: middle };
  }
  reckoned = edits.steps.length;
  if (answer) { take(answer.kernels, answer.result); } else { take(saved, savedResult); }
  fillEdits();
  get("edits-error").hidden = refusedText === "";
  get("edits-error").textContent = refusedText;
  tell(refusedText || (chosen ? nameOf(chosen) + ". " : "") + stateText());
  refusedText = "";
}
let reckoned = 0; // steps that counted before
let refusedText = "";
function refused(error, step) { refusedText = (step.label ? step.label + ": " : "") + error.text; }
function busy(on) {
  get("result").setAttribute("aria-busy", String(on));
  get("edits-state").textContent = on ? t("reckoning …") : stateText();
  if (!on && edits) { fillEdits(); }
}
function stateText() { return edits && edits.dirty ? t("%d steps not yet saved", edits.steps.length) : ""; }

function placeButton(c, text) {
  const at = c.at || c.outline[0];
  const b = make("button", { type: "button" }, t("Show"));
  b.setAttribute("aria-label", t("Show") + ": " + text);
  b.addEventListener("click", () => {
    const n = c.picture || 1;
    if (picture.number !== n) { showPicture(n); }
    const k = viewer.at(...at) || picture.kernels.find((k) => contains(k.outline, ...at));
    if (k) { choose(k, { tells: true, closely: true }); } else { viewer.centre(at[0], at[1], Math.max(viewer.scale, 1), true); }
  });
  return b;
}

function fillEdits() {
  get("undo").disabled = !edits.dirty;
  get("redo").disabled = edits.undone.length === 0;
  get("edits-state").textContent = stateText();
  get("save").hidden = !edits.dirty;
  get("unsaved").replaceChildren(...edits.steps.map((s) => {
    const text = s.drop ? t("Taken back: %s", s.label) : s.label;
    return make("li", {}, make("span", {}, text), placeButton(s.add || s.drop, text));
  }));
  const held = edits.held;
  get("held").hidden = saved.corrections.length === 0;
  get("held").querySelector("summary").textContent = t("%d corrections saved", held.length);
  get("saved").replaceChildren(...held.map((c) => {
    const text = wordsOf(c) + (c.by ? " · " + c.by : "");
    const b = make("button", { type: "button" }, t("Take back"));
    b.setAttribute("aria-label", t("Take back: %s", text));
    b.addEventListener("click", () => edits.drop(c, text));
    return make("li", {}, make("span", {}, text), make("span", { class: "row" }, placeButton(c, text), b));
  }));
}
get("undo")?.addEventListener("click", () => edits?.undo());
get("redo")?.addEventListener("click", () => edits?.redo());

function tellKept({ moved, lost }) {
  const box = get("lost");
  const first = moved ? t("The sample was changed in the meantime; your corrections were laid on its last revision.") : t("Your corrections that were not yet saved are here again.");
  box.querySelector("p").textContent = lost.length ? first + " " + t("These do not fit any more:") : first;
  box.querySelector("ul").replaceChildren(...lost.map((s) => make("li", {}, s.label)));
  box.hidden = false;
  tell(box.textContent);
}

// Saving.
const form = get("save");
form?.addEventListener("submit", async (e) => {
  e.preventDefault();
  const error = get("save-error"), button = form.querySelector("button");
  error.hidden = true;
  get("quicker").hidden = true;
  button.disabled = true;
  saving = true;
  try {
    const other = form.elements.other.value.trim();
    const answer = await edits.save(form.elements.by.value.trim(), other || form.elements.why.value);
    leaving = true;
    tell(t("Saved as revision %d.", answer.revision));
    location.reload(); // shows the new revision, its trail and its papers
  } catch (refusal) {
    button.disabled = saving = false;
    if (refusal.status === 409) {
      get("stale").hidden = true;
      get("quicker").querySelector("p").textContent = "✕ " + refusal.message + (refusal.doc.at ? " (" + refusal.doc.at + ")" : "") + " – " + t("Nothing of yours was saved, and nothing is lost.");
      get("quicker").hidden = false;
      get("again").focus();
      return;
    }
    error.textContent = refusal.text || String(refusal);
    error.hidden = false;
  }
});
get("again")?.addEventListener("click", () => {
  edits.store();
  leaving = true;
  location.reload();
});
// Another may change the sample meanwhile: that is told before one saves.
if (changeable) {
  new EventSource("/events").addEventListener("changed", (e) => {
    if (leaving || saving || !JSON.parse(e.data).ended.some((s) => s.changed && s.code === code)) { return; }
    get("stale").hidden = false;
    tell(get("stale").querySelector("p").textContent);
  });
}
get("renew")?.addEventListener("click", () => get("again").click());
addEventListener("beforeunload", (e) => { if (!leaving && edits && (edits.dirty || edits.waiting.length)) { e.preventDefault(); } });
form?.elements.other.addEventListener("input", () => { form.elements.why.required = form.elements.other.value.trim() === ""; });

// Keys count where the focus is in the picture or its panel, not in a field.
const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const deeds = { r: "right", w: "whole", b: "broken", n: "not_rice", g: "gone", c: "cut", j: "join", a: "add" };
get("work").addEventListener("keydown", (e) => {
  if (!doc || e.isComposing || e.target.matches("input, select, textarea")) { return; }
  if ((e.ctrlKey || e.metaKey) && !e.altKey && edits) {
    const key = e.key.toLowerCase();
    if (key === "z" && !e.shiftKey) { edits.undo(); } else if (key === "y" || key === "z") { edits.redo(); } else { return; }
    e.preventDefault();
    return;
  }
  if (e.ctrlKey || e.metaKey || e.altKey) { return; }
  const inStage = e.target === stage;
  if (viewer.tool && (inStage || e.key === "Escape")) {
    if (viewer.tool.key(e)) { e.preventDefault(); return; }
  }
  if (inStage && stageKey(e) || deedKey(e)) { e.preventDefault(); }
});

function stageKey(e) {
  if (arrows[e.key]) {
    const [dx, dy] = arrows[e.key];
    if (e.shiftKey || viewer.tool) { viewer.move(dx * 80, dy * 80, true); return true; } // CSS px
    const next = chosen ? viewer.towards(chosen, dx, dy) : nearestToMiddle();
    if (next) { choose(next, { tells: true }); }
    return true;
  }
  switch (e.key) {
    case "+": case "=": viewer.zoom(1.5, undefined, undefined, true); return true;
    case "-": case "_": viewer.zoom(1 / 1.5, undefined, undefined, true); return true;
    case "0": viewer.fit(true); return true;
    case "Escape": if (chosen) { choose(null, { tells: true }); return true; } return false;
    case "Enter": case " ": if (!chosen) { choose(nearestToMiddle(), { tells: true }); return true; } return false;
    case "Tab": {
      if (!chosen) { return false; } // on to what comes after the picture
      const list = picture.kernels, at = list.findIndex((k) => k.id === chosen.id) + (e.shiftKey ? -1 : 1);
      if (at < 0 || at >= list.length) { return false; }
      choose(list[at], { tells: true });
      return true;
    }
  }
  return false;
}

function deedKey(e) {
  const key = e.key.toLowerCase();
  if (key === "d") { nextDoubtful(e.shiftKey ? -1 : 1); return true; }
  if (e.shiftKey || !edits) { return false; }
  if (deeds[key]) { act(deeds[key]); return true; }
  const flag = get("flags").querySelectorAll("button")[Number(key) - 1];
  if (/^[1-9]$/.test(key) && flag) { toggle(flag.dataset.flag); return true; }
  return false;
}

function nearestToMiddle() {
  const v = viewer.view();
  let best = null, least = Infinity;
  for (const k of picture.kernels) {
    const d = Math.hypot(k.at[0] - v.x, k.at[1] - v.y);
    if (d < least) { least = d; best = k; }
  }
  return best;
}

get("zoom-in").addEventListener("click", () => viewer.zoom(1.6, undefined, undefined, true));
get("zoom-out").addEventListener("click", () => viewer.zoom(1 / 1.6, undefined, undefined, true));
get("zoom-all").addEventListener("click", () => viewer.fit(true));
get("outlines").addEventListener("click", () => {
  viewer.showOutlines = !viewer.showOutlines;
  get("outlines").setAttribute("aria-pressed", String(viewer.showOutlines));
  viewer.draw();
});

// A link may lead to one of the forms.
const asked = location.hash.length > 1 && get(location.hash.slice(1));
if (asked && asked.matches("details")) {
  asked.open = true;
  asked.querySelector("input:not([type=hidden])").focus();
}

begin();
