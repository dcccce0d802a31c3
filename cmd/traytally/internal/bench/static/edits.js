// The corrections that are not yet saved: steps that can be taken back and done
// again, each tried by the bench before it counts.
import { postJSON, remembered, thisTab, Refusal } from "./common.js";

// A step adds a correction to the list that holds, or takes one out of it:
// { add: correction } or { drop: correction }, with a label for people.
function laid(base, steps) {
  let list = base;
  for (const s of steps) {
    if (s.add) { list = [...list, s.add]; continue; }
    const at = list.findIndex((c) => alike(c, s.drop));
    if (at < 0) { throw new Refusal(0, { error: s.gone }); }
    list = list.filter((_, i) => i !== at);
  }
  return list;
}

// said is a correction as the bench takes it.
function said(c) {
  const { do: kind, picture, at, flag, line, with: other, outline } = c;
  return { do: kind, picture, at, flag, line, with: other, outline };
}

function alike(a, b) { return JSON.stringify(said(a)) === JSON.stringify(said(b)); }

export class Edits {
  // base: the corrections that hold for the revision. changed(answer) is called
  // when steps count, with what the bench says of the sample with them; null
  // stands for the sample as saved. refused(error, step) is called when one does
  // not, busy(bool) while the bench is at it.
  constructor({ code, revision, base, gone, changed, refused, busy }) {
    Object.assign(this, { code, revision, base, gone, changed, refused, busy });
    this.steps = [];
    this.undone = [];
    this.waiting = [];
    this.working = false;
    this.answer = null; // the last one, of the steps that count
    this.key = "traytally-unsaved-" + code;
  }

  get list() { return laid(this.base, this.steps); }
  get held() { return laid(this.base, this.steps.filter((s) => s.drop)); } // of those that were saved
  get dirty() { return this.steps.length > 0; }

  add(correction, label) { return this.push({ add: correction, label }); }
  drop(correction, label) { return this.push({ drop: correction, label, gone: this.gone }); }
  undo() { this.waiting.push({ undo: true }); return this.work(); }
  redo() { this.waiting.push({ redo: true }); return this.work(); }

  push(step) { this.waiting.push({ step }); return this.work(); }

  // work carries out what waits, in order. Steps that came while the bench was
  // at another go together, and one by one where they are refused together.
  async work() {
    if (this.working) { return; }
    this.working = true;
    this.busy(true);
    try {
      while (this.waiting.length) {
        const first = this.waiting.shift();
        if (first.undo) {
          const last = this.steps.at(-1);
          if (last && await this.attempt(this.steps.slice(0, -1), last)) { this.undone.push(last); }
          this.store();
          this.changed(this.answer);
          continue;
        }
        if (first.redo) {
          const step = this.undone.at(-1);
          if (step && await this.attempt([...this.steps, step], step)) { this.undone.pop(); }
          this.store();
          this.changed(this.answer);
          continue;
        }
        const some = [first.step];
        while (this.waiting.length && this.waiting[0].step) { some.push(this.waiting.shift().step); }
        await this.take(some);
        this.store();
        this.changed(this.answer);
      }
    } finally {
      this.working = false;
      this.busy(false);
    }
  }

  // take tries steps together, or one by one. It returns those that were refused.
  async take(some) {
    const refused = [];
    const silent = some.length > 1;
    if (await this.attempt([...this.steps, ...some], some[0], silent)) {
      this.undone = [];
      return refused;
    }
    if (!silent) { return some; }
    for (const step of some) {
      if (await this.attempt([...this.steps, step], step)) { this.undone = []; } else { refused.push(step); }
    }
    return refused;
  }

  async attempt(steps, step, silent) {
    try {
      this.answer = steps.length ? await postJSON(`/sample/${encodeURIComponent(this.code)}/try`, { revision: this.revision, corrections: laid(this.base, steps).map(said) }) : null;
    } catch (e) {
      if (!(e instanceof Refusal)) { throw e; }
      if (!silent) { this.refused(e, step); }
      return false;
    }
    this.steps = steps;
    return true;
  }

  store() {
    remembered.set(thisTab, this.key, this.dirty ? JSON.stringify({ revision: this.revision, steps: this.steps }) : null);
  }

  // restore lays on what this tab kept. It returns null where there was nothing,
  // else whether it was made on another revision and the steps that do not fit.
  async restore() {
    let kept = null;
    try { kept = JSON.parse(remembered.get(thisTab, this.key)); } catch { /* as if there were none */ }
    if (!kept || !Array.isArray(kept.steps) || !kept.steps.length) { return null; }
    this.working = true;
    this.busy(true);
    try {
      const lost = await this.take(kept.steps);
      this.store();
      this.changed(this.answer);
      return { moved: kept.revision !== this.revision, lost };
    } finally {
      this.working = false;
      this.busy(false);
      this.work();
    }
  }

  async save(by, why) {
    const answer = await postJSON(`/sample/${encodeURIComponent(this.code)}/save`, { revision: this.revision, corrections: this.list.map(said), by, why });
    remembered.set(thisTab, this.key, null);
    return answer;
  }
}
