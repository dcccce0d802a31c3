// The day: what comes in, the form for what comes next, and the list.
import { t, get, make, tell, fetchText, postForm, put, remembered, forever, Refusal } from "./common.js";

const code = get("code");

// What is typed while nothing has the focus is meant for the code: a barcode
// reader types and presses Enter.
document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.isComposing || e.key.length !== 1 || e.key === " ") { return; }
  if (document.activeElement && document.activeElement.matches("input:not([type=file]), select, textarea")) { return; }
  code.focus();
  code.select();
});

// A finger would get a keyboard over half the page.
if (matchMedia("(pointer: fine)").matches) { code.focus({ preventScroll: true }); }

const form = get("next");
let unsent = false; // something was typed that was not sent
form.addEventListener("input", () => { unsent = true; });
form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const error = get("next-error");
  error.hidden = true;
  try {
    await postForm(form);
    unsent = false;
    tell(code.value ? t("The next picture becomes sample %s.", code.value) : t("Set for the next picture"));
    refresh();
  } catch (refusal) {
    error.textContent = refusal.text;
    error.hidden = false;
    if (signal) { beep(); }
  }
  code.focus();
  code.select(); // the next code takes its place
});

// The state of the day is asked for anew when something changed, once for many
// changes that follow each other closely.
let asked = 0;
let asking = false;
let again = false;
function refresh() {
  clearTimeout(asked);
  asked = setTimeout(load, 150); // ms: what one picture changes comes within it
}

async function load() {
  if (asking) { again = true; return; }
  asking = true;
  try {
    const [now, rows] = await Promise.all([fetchText("/now"), fetchText("/rows" + location.search)]);
    put(get("now"), now);
    put(get("rows"), rows);
    const taken = get("now").querySelector(".coming") === null;
    if (taken && !unsent && code.value) { code.value = ""; } // the picture came
  } catch (refusal) {
    if (refusal instanceof Refusal && refusal.status === 401) { location.reload(); }
  } finally {
    asking = false;
    if (again) { again = false; refresh(); }
  }
}

const events = new EventSource("/events");
let lost = false;
events.addEventListener("open", () => {
  get("cut-off").hidden = true;
  if (lost) { lost = false; refresh(); }
});
events.addEventListener("error", () => { lost = true; get("cut-off").hidden = false; });
events.addEventListener("changed", (e) => {
  refresh();
  const ended = JSON.parse(e.data).ended.filter((s) => !s.changed);
  const said = ended.map((s) => s.refused ? t("A picture was refused.") : s.good ? t("Sample %s is graded.", s.code) : t("Sample %s is graded and fails.", s.code));
  if (said.length) { tell(said.join(" ")); }
  const bad = ended.filter((s) => s.refused || !s.good);
  if (signal && bad.length) { alarm(said.filter((_, i) => ended[i].refused || !ended[i].good)); }
});
addEventListener("pagehide", () => events.close());

// The signal on failure: a sound and a bar that stays until it was seen.
const keySignal = "traytally-signal";
let signal = remembered.get(forever, keySignal) === "on";
let audio = null;
const sound = get("sound");
function showSignal() {
  sound.setAttribute("aria-pressed", String(signal));
  sound.querySelector("[data-on]").hidden = !signal;
  sound.querySelector("[data-off]").hidden = signal;
}
showSignal();
sound.addEventListener("click", () => {
  signal = !signal;
  remembered.set(forever, keySignal, signal ? "on" : null);
  showSignal();
  if (signal) { beep(); } // as a sample, and browsers let sound out on a click only
});

function beep() {
  try {
    audio = audio || new AudioContext();
    audio.resume();
    for (const [at, pitch] of [[0, 660], [0.22, 440]]) { // s and Hz: two falling tones, our own choice
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      tone.frequency.value = pitch;
      volume.gain.setValueAtTime(0.25, audio.currentTime + at);
      volume.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + at + 0.2);
      tone.connect(volume).connect(audio.destination);
      tone.start(audio.currentTime + at);
      tone.stop(audio.currentTime + at + 0.2);
    }
  } catch { /* no loudspeaker: the bar is there */ }
}

function alarm(texts) {
  const bar = get("alarm");
  bar.querySelector("p").textContent = "✕ " + texts.join(" ");
  bar.hidden = false;
  beep();
}
get("alarm").querySelector("button").addEventListener("click", () => { get("alarm").hidden = true; });

// Pictures are sent one after the other.
let sending = Promise.resolve();
function send(files) {
  for (const file of files) {
    const line = make("progress", { max: 1, value: 0, "aria-label": file.name });
    const text = make("span", {}, file.name + " …");
    const item = make("li", {}, text, line);
    get("sending").append(item);
    sending = sending.then(() => sendOne(file, line)).then((name) => {
      text.textContent = t("%s was added.", name);
      line.remove();
      setTimeout(() => item.remove(), 8000); // ms: long enough to be read; the list of pictures has it by then
    }, (refusal) => {
      line.remove();
      item.className = "bad";
      text.textContent = "✕ " + file.name + ": " + refusal.text;
      const gone = make("button", { type: "button" }, t("Seen"));
      gone.addEventListener("click", () => item.remove());
      item.append(gone);
      if (signal) { beep(); }
    });
  }
}

function sendOne(file, line) {
  return new Promise((done, failed) => {
    const request = new XMLHttpRequest(); // fetch does not tell how far an upload is
    request.open("POST", "/pictures?name=" + encodeURIComponent(file.name));
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (e) => { if (e.lengthComputable) { line.value = e.loaded / e.total; } });
    request.addEventListener("load", () => {
      let doc = {};
      try { doc = JSON.parse(request.responseText); } catch { /* said below */ }
      if (request.status === 201) { done(doc.name); return; }
      failed(new Refusal(request.status, doc.error ? doc : { error: t("The bench answered with error %d.", request.status) }));
    });
    request.addEventListener("error", () => failed(new Refusal(0, { error: t("The bench does not answer."), hint: t("is traytally bench still running?") })));
    request.send(file);
  });
}

for (const id of ["file", "camera"]) {
  get(id).addEventListener("change", (e) => {
    send([...e.target.files]);
    e.target.value = ""; // the same may be chosen again
  });
}

const veil = get("drop");
function holdsFiles(e) { return e.dataTransfer && [...e.dataTransfer.types].includes("Files"); }
document.addEventListener("dragover", (e) => {
  if (!holdsFiles(e)) { return; }
  e.preventDefault();
  e.dataTransfer.dropEffect = "copy";
  veil.hidden = false;
});
document.addEventListener("dragleave", (e) => { if (e.relatedTarget === null) { veil.hidden = true; } });
document.addEventListener("drop", (e) => {
  veil.hidden = true;
  if (!holdsFiles(e)) { return; }
  e.preventDefault();
  send([...e.dataTransfer.files]);
});

// Searching, filters and sorting show the list anew without leaving the page.
async function show(address) {
  history.replaceState(null, "", address);
  try {
    put(get("rows"), await fetchText("/rows" + location.search));
    keepFilters();
  } catch (refusal) {
    put(get("rows"), "");
    get("rows").append(make("p", { class: "error" }, refusal.text));
  }
}

// keepFilters gives the search the filters of the address.
function keepFilters() {
  for (const old of find.querySelectorAll("input[type=hidden]")) { old.remove(); }
  for (const [name, value] of new URLSearchParams(location.search)) {
    if (name !== "text") { find.append(make("input", { type: "hidden", name, value })); }
  }
}

get("rows").addEventListener("click", (e) => {
  const link = e.target.closest(".chips a, thead a");
  if (!link || e.ctrlKey || e.metaKey || e.shiftKey) { return; }
  e.preventDefault();
  show(link.getAttribute("href"));
});
const find = get("find");
let typed = 0;
function search() {
  clearTimeout(typed);
  show("/?" + new URLSearchParams(new FormData(find)));
}
find.addEventListener("submit", (e) => { e.preventDefault(); search(); });
get("text").addEventListener("input", () => {
  clearTimeout(typed);
  typed = setTimeout(search, 250); // ms: a pause in typing
});
