// What the pages' scripts share: the words, and how they speak to the server.

export const { t, number } = wordsIn(JSON.parse(document.getElementById("words").textContent));

document.documentElement.classList.add("scripts");

// get finds an element by its id.
export function get(id) { return document.getElementById(id); }

// make returns an element with attributes and children.
export function make(tag, attributes = {}, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null && value !== false) { e.setAttribute(name, value === true ? "" : value); }
  }
  e.append(...children);
  return e;
}

// tell says something to who listens to the page instead of looking at it.
export function tell(text) {
  const told = get("told");
  told.textContent = told.textContent === text ? text + "\u00a0" : text; // the same again is new too
}

// A Refusal is an answer that is none: error and hint are for people.
export class Refusal extends Error {
  constructor(status, doc) {
    super(doc.error);
    this.status = status;
    this.doc = doc;
    this.hint = doc.hint || "";
  }
  get text() { return this.hint ? this.message + " – " + this.hint : this.message; }
}

async function checked(answer) {
  if (answer.ok || answer.type === "opaqueredirect") { return answer; }
  let doc;
  try {
    doc = await answer.json();
  } catch {
    doc = { error: answer.status === 401 ? t("You are not signed in any more.") : t("The bench answered with error %d.", answer.status), hint: t("load the page again") };
  }
  throw new Refusal(answer.status, doc);
}

async function ask(address, options) {
  let answer;
  try {
    answer = await fetch(address, options);
  } catch (e) {
    if (e.name === "AbortError") { throw e; }
    throw new Refusal(0, { error: t("The bench does not answer."), hint: t("is traytally bench still running?") });
  }
  return checked(answer);
}

export async function fetchText(address) {
  return (await ask(address, { headers: { Accept: "text/plain" } })).text();
}

export async function fetchJSON(address) {
  return (await ask(address, { headers: { Accept: "application/json" } })).json();
}

export async function fetchBlob(address, signal) {
  return (await ask(address, { headers: { Accept: "image/jpeg" }, signal })).blob();
}

export async function postJSON(address, doc) {
  return (await ask(address, {
    method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(doc),
  })).json();
}

// postForm sends a form as a browser would, without going where it leads.
export async function postForm(form) {
  await ask(form.action, { method: "POST", headers: { Accept: "application/json" }, body: new URLSearchParams(new FormData(form)), redirect: "manual" });
}

// put replaces what an element holds, and keeps where the focus is, which
// details are open and how far things are scrolled, by their ids.
export function put(element, html) {
  const focused = element.contains(document.activeElement) ? document.activeElement.id : "";
  const open = new Set([...element.querySelectorAll("details[open][id]")].map((d) => d.id));
  element.innerHTML = html; // from our own templates
  for (const id of open) {
    const d = get(id);
    if (d && element.contains(d)) { d.open = true; }
  }
  if (focused) {
    const again = get(focused);
    if (again && element.contains(again)) { again.focus({ preventScroll: true }); }
  }
}

// remembered are small things that stay in this browser; where it keeps nothing
// they are forgotten.
export const remembered = {
  get(store, key) { try { return store().getItem(key); } catch { return null; } },
  set(store, key, value) {
    try {
      if (value === null) { store().removeItem(key); } else { store().setItem(key, value); }
    } catch { /* a full or closed store loses a convenience only */ }
  },
};
export const forever = () => localStorage;
export const thisTab = () => sessionStorage;
