// What is drawn by hand: a line that cuts, a neighbour to join, an outline round
// a missed kernel. Each takes taps, drags and keys, and ends by done or cancel.
import { t } from "./common.js";
import { boundsOf, contains, thinned } from "./outlines.js";

const step = 2; // CSS px that an arrow key moves something; five times as far with Shift

const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function moved(p, e, scale) {
  const [dx, dy] = arrows[e.key], d = (e.shiftKey ? 5 : 1) * step / scale;
  return [p[0] + dx * d, p[1] + dy * d];
}

function line(ctx, points, px, colour, close) {
  const path = new Path2D();
  points.forEach(([x, y], i) => i ? path.lineTo(x, y) : path.moveTo(x, y));
  if (close) { path.closePath(); }
  ctx.lineWidth = 5 * px; ctx.strokeStyle = "#10141c"; ctx.stroke(path);
  ctx.lineWidth = 2.5 * px; ctx.strokeStyle = colour; ctx.stroke(path);
}

function dot(ctx, [x, y], px, active) {
  ctx.beginPath();
  ctx.arc(x, y, (active ? 8 : 5) * px, 0, 7);
  ctx.fillStyle = active ? "#ffd54a" : "#ffffff";
  ctx.fill();
  ctx.lineWidth = 2 * px; ctx.strokeStyle = "#10141c"; ctx.stroke();
}

// across returns a line right across the middle of an outline.
function across(kernel) {
  const o = kernel.outline, n = o.length / 2;
  let mx = 0, my = 0, xx = 0, xy = 0, yy = 0;
  for (let i = 0; i < o.length; i += 2) { mx += o[i] / n; my += o[i + 1] / n; }
  for (let i = 0; i < o.length; i += 2) { const x = o[i] - mx, y = o[i + 1] - my; xx += x * x; xy += x * y; yy += y * y; }
  const long = 0.5 * Math.atan2(2 * xy, xx - yy); // direction of the long axis
  const dx = -Math.sin(long), dy = Math.cos(long);
  return outside([[mx - dx, my - dy], [mx + dx, my + dy]], kernel);
}

// outside moves the ends of a line on until they lie outside of a kernel.
function outside([a, b], kernel) {
  const [x0, y0, x1, y1] = boundsOf(kernel.outline);
  const length = Math.hypot(b[0] - a[0], b[1] - a[1]) || 1, ux = (b[0] - a[0]) / length, uy = (b[1] - a[1]) / length;
  const most = Math.hypot(x1 - x0, y1 - y0) + 4;
  const on = (p, s) => {
    let d = 0;
    while (d < most && contains(kernel.outline, p[0] + s * d * ux, p[1] + s * d * uy)) { d += 1; }
    d = d ? d + 3 : 0; // px beyond the rim
    return [p[0] + s * d * ux, p[1] + s * d * uy];
  };
  return [on(a, -1), on(b, 1)];
}

class Tool {
  constructor(viewer, { done, cancel, tell }) { Object.assign(this, { viewer, done, cancel, tell }); }
  paint() {}
  tap() {}
  // key returns whether it took a key.
  key(e) {
    if (e.key === "Escape") { this.cancel(); return true; }
    if (e.key === "Enter") { this.finish(); return true; }
    return false;
  }
}

export class Cut extends Tool {
  constructor(viewer, hooks, kernel) {
    super(viewer, hooks);
    this.kernel = kernel;
    this.ends = across(kernel);
    this.active = 0;
    this.taps = 0;
  }
  get hint() { return t("Draw a line right across the kernel, or tap its two ends."); }
  get keys() { return t("Keys: arrows move an end, Space changes to the other, Enter cuts, Escape cancels."); }
  finish() { this.done(outside(this.ends, this.kernel)); }
  down(p) { this.start = p; }
  drag(p) { this.ends = [this.start, p]; this.viewer.draw(); }
  dropped(p) { this.ends = [this.start, p]; this.finish(); }
  drop() { this.start = null; }
  tap(p) {
    this.ends = this.taps ? [this.ends[0], p] : [p, this.ends[1]];
    this.active = 1;
    this.viewer.draw();
    if (++this.taps === 2) { this.finish(); }
  }
  key(e) {
    if (arrows[e.key]) {
      this.ends[this.active] = moved(this.ends[this.active], e, this.viewer.scale);
      this.viewer.draw();
      return true;
    }
    if (e.key === " ") {
      this.active = 1 - this.active;
      this.tell(this.active ? t("second end") : t("first end"));
      this.viewer.draw();
      return true;
    }
    return super.key(e);
  }
  paint(ctx, px) {
    line(ctx, this.ends, px, "#ffd54a");
    this.ends.forEach((p, i) => dot(ctx, p, px, i === this.active));
  }
}

export class Join extends Tool {
  constructor(viewer, hooks, kernel, nameOf) {
    super(viewer, hooks);
    this.kernel = kernel;
    this.nameOf = nameOf;
    this.other = null;
  }
  get hint() { return t("Tap the piece that belongs to it."); }
  get keys() { return t("Keys: arrows choose, Enter joins, Escape cancels."); }
  finish() { if (this.other) { this.done(this.other); } }
  tap(p) {
    const k = this.viewer.at(...p);
    if (k && k.id !== this.kernel.id) { this.other = k; this.finish(); }
  }
  key(e) {
    if (arrows[e.key] && !e.shiftKey) {
      const next = this.viewer.towards(this.other || this.kernel, ...arrows[e.key]);
      if (next && next.id !== this.kernel.id) {
        this.other = next;
        this.viewer.reveal(next);
        this.tell(this.nameOf(next));
        this.viewer.draw();
      }
      return true;
    }
    return super.key(e);
  }
  paint() { if (this.other) { this.viewer.paintChosen(this.other, "#7fe0ff"); } }
}

export class Add extends Tool {
  constructor(viewer, hooks) {
    super(viewer, hooks);
    this.corners = [];
    this.cross = null; // moved by keys
  }
  get hint() { return t("Draw round the missed kernel, or tap corners and then the first one again."); }
  get keys() { return t("Keys: arrows move the cross, Space sets a corner, Backspace takes one back, Enter closes, Escape cancels."); }
  finish() {
    if (this.corners.length < 3) { this.tell(t("An outline has three corners or more.")); return; }
    this.done(this.corners.map(([x, y]) => [Math.round(x * 10) / 10, Math.round(y * 10) / 10]));
  }
  down(p) { this.before = [...this.corners]; this.start = p; this.drawn = null; }
  drag(p) {
    if (!this.drawn) { this.drawn = [this.start]; }
    this.drawn.push(p);
    this.viewer.draw();
  }
  dropped() {
    if (!this.drawn) { return; }
    const flat = thinned(this.drawn.flat(), 1 / this.viewer.scale); // a CSS px
    this.corners = [];
    for (let i = 0; i < flat.length; i += 2) { this.corners.push([flat[i], flat[i + 1]]); }
    this.drawn = null;
    if (this.corners.length < 3) { this.corners = this.before; this.viewer.draw(); return; }
    this.finish();
  }
  drop() { this.drawn = null; this.viewer.draw(); }
  tap(p) {
    const first = this.corners[0];
    if (this.corners.length > 2 && Math.hypot(first[0] - p[0], first[1] - p[1]) * this.viewer.scale < 16) { this.finish(); return; }
    this.set(p);
  }
  set(p) {
    this.corners.push(p);
    this.tell(t("corner %d", this.corners.length));
    this.viewer.draw();
  }
  key(e) {
    if (arrows[e.key]) {
      const v = this.viewer.view();
      this.cross = moved(this.cross || [v.x - 0.5, v.y - 0.5], e, this.viewer.scale);
      this.viewer.draw();
      return true;
    }
    if (e.key === " ") {
      const v = this.viewer.view();
      this.cross = this.cross || [v.x - 0.5, v.y - 0.5];
      this.set([...this.cross]);
      return true;
    }
    if (e.key === "Backspace") {
      this.corners.pop();
      this.viewer.draw();
      return true;
    }
    return super.key(e);
  }
  paint(ctx, px) {
    const points = this.drawn || this.corners;
    if (points.length > 1) { line(ctx, points, px, "#ffd54a", points.length > 2); }
    if (!this.drawn) { points.forEach((p, i) => dot(ctx, p, px, i === 0)); }
    if (this.cross) {
      const [x, y] = this.cross, r = 14 * px;
      line(ctx, [[x - r, y], [x + r, y]], px, "#ffffff");
      line(ctx, [[x, y - r], [x, y + r]], px, "#ffffff");
    }
  }
}
