// The outlines of kernels and how they are drawn. It runs beside the page, in a
// worker, so that moving the picture never waits for a thousand outlines; where
// a browser has no such canvas the page draws them itself.

// Our own choices.
const dashFrom = 30; // CSS px of a usual kernel's length from which lines have patterns
const letterFrom = 15; // … from which letters are drawn
const flagFrom = 44; // … from which flags are drawn
const casingFrom = 60; // … from which lines have a dark casing

// Patterns of lines, CSS px, and letters of flags: neither tells by colour alone.
export const dashes = {
  head: [], large_broken: [9, 3], medium_broken: [6, 3], small_broken: [4, 3], chip: [2, 3], broken: [9, 3, 2, 3], untold: [2, 5], foreign: [9, 3, 2, 3, 2, 3],
};
export const flagLetters = { chalky: "c", yellow: "y", red: "r", red_streaked: "s", damaged: "d", paddy: "p", odd: "o" };

export function boundsOf(outline) {
  let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
  for (let i = 0; i < outline.length; i += 2) {
    x0 = Math.min(x0, outline[i]); x1 = Math.max(x1, outline[i]);
    y0 = Math.min(y0, outline[i + 1]); y1 = Math.max(y1, outline[i + 1]);
  }
  return [x0, y0, x1, y1];
}

export function contains(outline, x, y) {
  let inside = false;
  for (let i = 0, j = outline.length - 2; i < outline.length; j = i, i += 2) {
    const yi = outline[i + 1], yj = outline[j + 1];
    if ((yi > y) !== (yj > y) && x < (outline[j] - outline[i]) * (y - yi) / (yj - yi) + outline[i]) { inside = !inside; }
  }
  return inside;
}

// thinned returns an outline with fewer corners, none further than so many px
// from it (Douglas and Peucker 1973), as x, y, x, y ….
export function thinned(outline, tolerance) {
  const n = outline.length / 2;
  if (tolerance <= 0 || n < 5) { return outline; }
  const keep = new Uint8Array(n);
  const half = n >> 1;
  keep[0] = keep[half] = 1;
  const open = [[0, half], [half, n]];
  while (open.length) {
    const [a, b] = open.pop();
    const ax = outline[2 * a], ay = outline[2 * a + 1], e = b % n;
    const dx = outline[2 * e] - ax, dy = outline[2 * e + 1] - ay, length = Math.hypot(dx, dy) || 1;
    let far = 0, at = -1;
    for (let i = a + 1; i < b; i++) {
      const d = Math.abs((outline[2 * i] - ax) * dy - (outline[2 * i + 1] - ay) * dx) / length;
      if (d > far) { far = d; at = i; }
    }
    if (far > tolerance) { keep[at] = 1; open.push([a, at], [at, b]); }
  }
  const out = [];
  for (let i = 0; i < n; i++) { if (keep[i]) { out.push(outline[2 * i], outline[2 * i + 1]); } }
  return out;
}

export function trace(path, outline) {
  path.moveTo(outline[0], outline[1]);
  for (let i = 2; i < outline.length; i += 2) { path.lineTo(outline[i], outline[i + 1]); }
  path.closePath();
}

// A Shape is a kernel as it is drawn.
class Shape {
  constructor(kernel) {
    this.kernel = kernel;
    this.bounds = boundsOf(kernel.outline);
    this.thin = []; // by level of detail
    this.paths = [];
  }
  outlineAt(detail) {
    return this.thin[detail] || (this.thin[detail] = thinned(this.kernel.outline, toleranceOf(detail)));
  }
  path(detail) {
    if (!this.paths[detail]) { trace(this.paths[detail] = new Path2D(), this.outlineAt(detail)); }
    return this.paths[detail];
  }
}

// Levels of detail: 0 has all corners, then tolerances of 0.5, 1, 2 … px.
function toleranceOf(detail) { return detail ? 2 ** (detail - 2) : 0; }
function detailAt(scale) { return Math.max(0, Math.min(7, Math.floor(Math.log2(0.5 / scale)) + 2)); } // half a px of the screen

// Outlines are those of one picture. view: left and top in px of the picture,
// scale in CSS px of the screen for one of them, width and height in CSS px,
// ratio of the screen's own px to CSS px.
export class Outlines {
  constructor() {
    this.shapes = [];
    this.sprites = new Map();
    this.colours = {};
  }

  // show takes kernels, groups that were not taken apart, and the length of a
  // usual kernel.
  show({ kernels, groups, usual }) {
    const before = new Map(this.shapes.map((s) => [s.kernel.id, s]));
    this.shapes = kernels.map((k) => {
      const s = new Shape(k), old = before.get(k.id);
      if (old && same(old.kernel.outline, k.outline)) { s.thin = old.thin; s.paths = old.paths; }
      return s;
    });
    this.groups = groups;
    this.usual = usual || 100; // px; without a length any size will do
  }

  paint(ctx, view) {
    const k = view.scale * view.ratio;
    ctx.setTransform(k, 0, 0, k, (0.5 - view.left) * k, (0.5 - view.top) * k);
    ctx.lineJoin = "round";
    const px = 1 / view.scale; // a CSS px
    const detail = detailAt(k);
    const usual = this.usual * view.scale;
    const right = view.left + view.width * px, bottom = view.top + view.height * px;
    const seen = this.shapes.filter((s) => s.bounds[2] >= view.left && s.bounds[0] <= right && s.bounds[3] >= view.top && s.bounds[1] <= bottom);
    const styles = new Map();
    for (const s of seen) {
      const style = s.kernel.class + "/" + s.kernel.hand;
      if (!styles.has(style)) { styles.set(style, []); }
      styles.get(style).push(s);
    }
    for (const [style, shapes] of styles) {
      const [name, hand] = style.split("/");
      if (hand) { // a double line; of made pieces the outer one is dashed
        stroke(ctx, shapes, detail, this.colours.hand, 6 * px, hand === "made" ? [7 * px, 4 * px] : []);
        stroke(ctx, shapes, detail, this.colours.tray, 3.6 * px, []);
      } else if (usual >= casingFrom) {
        stroke(ctx, shapes, detail, "rgba(0, 0, 0, 0.55)", 3.6 * px, []);
      }
      const dash = usual >= dashFrom ? (dashes[name] || []).map((d) => d * px) : [];
      stroke(ctx, shapes, detail, this.colours[name] || this.colours.untold, (usual >= casingFrom ? 2 : 1.4) * px, dash);
    }
    ctx.setLineDash([7 * px, 5 * px]);
    ctx.strokeStyle = this.colours.group;
    ctx.lineWidth = 1.6 * px;
    for (const [x0, y0, x1, y1] of this.groups) { ctx.strokeRect(x0, y0, x1 - x0, y1 - y0); }
    ctx.setLineDash([]);
    if (usual >= letterFrom) { this.paintLetters(ctx, view, seen, usual); }
  }

  paintLetters(ctx, view, shapes, usual) {
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    const size = Math.max(9, Math.min(16, usual / 4));
    for (const { kernel: k } of shapes) {
      const flags = usual >= flagFrom ? k.flags.map((f) => flagLetters[f] || "").join("") : "";
      const text = k.letter + (flags ? "•" + flags : ""); // a point tells a flag's letter from a class's
      if (!text) { continue; }
      const sprite = this.sprite(text, Math.round(size), view.ratio);
      const x = (k.at[0] + 0.5 - view.left) * view.scale * view.ratio, y = (k.at[1] + 0.5 - view.top) * view.scale * view.ratio;
      ctx.drawImage(sprite, Math.round(x - sprite.width / 2), Math.round(y - sprite.height / 2));
    }
  }

  // sprite is a text drawn once: white with a dark rim reads on rice and tray.
  sprite(text, size, ratio) {
    const key = text + "/" + size + "/" + ratio;
    let c = this.sprites.get(key);
    if (c) { return c; }
    c = canvas(1, 1);
    const high = Math.round(size * 1.6 * ratio), font = `700 ${size * ratio}px system-ui, sans-serif`;
    let to = c.getContext("2d");
    to.font = font;
    c.width = Math.ceil(to.measureText(text).width + 8 * ratio);
    c.height = high;
    to = c.getContext("2d");
    to.font = font;
    to.textAlign = "center";
    to.textBaseline = "middle";
    to.lineJoin = "round";
    to.lineWidth = 3 * ratio;
    to.strokeStyle = "#10141c";
    to.strokeText(text, c.width / 2, high / 2);
    to.fillStyle = "#ffffff";
    to.fillText(text, c.width / 2, high / 2);
    this.sprites.set(key, c);
    return c;
  }
}

function stroke(ctx, shapes, detail, colour, width, dash) {
  ctx.strokeStyle = colour;
  ctx.lineWidth = width;
  ctx.setLineDash(dash);
  for (const s of shapes) { ctx.stroke(s.path(detail)); }
  ctx.setLineDash([]);
}

function canvas(width, height) {
  if (typeof OffscreenCanvas !== "undefined") { return new OffscreenCanvas(width, height); }
  const c = document.createElement("canvas");
  c.width = width;
  c.height = height;
  return c;
}

// drawn returns the outlines in a view as a picture of their own.
export function drawn(outlines, view) {
  const c = canvas(Math.max(1, Math.round(view.width * view.ratio)), Math.max(1, Math.round(view.height * view.ratio)));
  outlines.paint(c.getContext("2d"), view);
  return c.transferToImageBitmap ? c.transferToImageBitmap() : c;
}

function same(a, b) {
  if (a.length !== b.length) { return false; }
  for (let i = 0; i < a.length; i++) { if (a[i] !== b[i]) { return false; } }
  return true;
}
