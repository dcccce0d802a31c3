// The picture of a sample in tiles, with the kernels' outlines on it: moved and
// zoomed by wheel, fingers and keys. Places are px of the picture; a pixel's
// centre lies at whole numbers, as in the register.
import { fetchBlob } from "./common.js";
import { Outlines, boundsOf, contains, dashes, drawn, trace } from "./outlines.js";

// Our own choices. A tile decoded has 1 MB.
const mostTiles = 120; // kept decoded
const atOnce = 4; // requests: browsers open six at most, and pages need some too
const againAfter = 3000; // ms until a tile that failed is asked for again
const largest = 12; // CSS px of the screen for one of the picture
const tapSlack = 6; // CSS px that a finger may move in a tap
const reach = 14; // CSS px beside a kernel at which a tap still means it
const doubleTap = 350; // ms
const around = 0.2; // of the view, drawn of the outlines beyond each side of it
const mostEnlarged = 1.6; // that outlines are shown until they are drawn anew
const rest = 90; // ms after which a view rests

function distance(outline, x, y) {
  let least = Infinity;
  for (let i = 0, j = outline.length - 2; i < outline.length; j = i, i += 2) {
    const ax = outline[j], ay = outline[j + 1], bx = outline[i] - ax, by = outline[i + 1] - ay;
    const u = Math.max(0, Math.min(1, ((x - ax) * bx + (y - ay) * by) / (bx * bx + by * by || 1)));
    least = Math.min(least, Math.hypot(x - ax - u * bx, y - ay - u * by));
  }
  return least;
}

export class Viewer {
  // hooks: pick(kernel or null, place), trouble(text)
  constructor(stage, canvas, hooks) {
    this.stage = stage;
    this.canvas = canvas;
    this.hooks = hooks;
    this.ctx = canvas.getContext("2d", { alpha: false });
    this.tiles = new Map(); // decoded, the one drawn last is the last
    this.asked = new Map(); // on their way
    this.failed = new Map();
    this.shapes = [];
    this.of = 0; // the scene that outlines are drawn of
    this.layer = null; // the outlines as drawn last
    this.asking = null;
    this.outlines = new Outlines(); // where there is no worker
    if (typeof OffscreenCanvas !== "undefined") {
      this.painter = new Worker(new URL("./painter.js", import.meta.url), { type: "module" });
      this.painter.addEventListener("message", (e) => this.answered(e.data));
      this.painter.addEventListener("error", () => {
        this.painter = null;
        this.asking = null;
        this.outlines.colours = this.colours;
        if (this.picture) { this.show(this.picture); }
      });
    }
    this.chosen = null;
    this.tool = null; // takes taps and lines instead of choosing and moving
    this.showOutlines = true;
    this.pointers = new Map();
    this.readColours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { this.readColours(); this.draw(); });
    this.still = matchMedia("(prefers-reduced-motion: reduce)");
    new ResizeObserver(() => this.resized()).observe(stage);
    this.resized(); // a page in the background is not told of sizes yet
    this.listen();
  }

  readColours() {
    const style = getComputedStyle(document.documentElement);
    this.colours = {};
    for (const name of [...Object.keys(dashes), "hand", "group", "tray"]) { this.colours[name] = style.getPropertyValue("--" + name).trim(); }
    this.toPainter({ colours: this.colours });
  }

  // show takes a picture of the sample's document.
  show(picture) {
    const other = !this.picture || this.picture.number !== picture.number;
    if (other) {
      for (const c of this.asked.values()) { c.abort(); }
      for (const b of this.tiles.values()) { b.close(); }
      this.asked.clear(); this.tiles.clear(); this.failed.clear();
      this.chosen = null;
    }
    this.picture = picture;
    this.shapes = picture.kernels.map((kernel) => ({ kernel, bounds: boundsOf(kernel.outline) }));
    this.toPainter({ scene: {
      kernels: picture.kernels.map(({ id, at, outline, class: name, letter, flags, hand }) => ({ id, at, outline, class: name, letter, flags, hand })),
      groups: picture.groups, usual: picture.usual_length,
    } });
    if (other) { this.layer = null; }
    if (other) { this.fit(); }
    this.draw();
  }

  resized() {
    const r = this.stage.getBoundingClientRect();
    if (!r.width || !r.height) { return; }
    const before = this.width ? this.toPicture(this.width / 2, this.height / 2) : null;
    const whole = this.picture && this.scale === this.fitting;
    this.ratio = devicePixelRatio || 1;
    this.width = r.width;
    this.height = r.height;
    this.canvas.width = Math.round(r.width * this.ratio);
    this.canvas.height = Math.round(r.height * this.ratio);
    if (this.picture) {
      if (whole || this.scale === undefined) { this.fit(); } else if (before) { this.centre(before[0], before[1], this.scale); }
    }
    this.paint(); // at once: a canvas that changed its size is empty
  }

  // fit shows the whole picture.
  fit(smooth) {
    if (!this.picture || !this.width) { return; }
    this.fitting = Math.min(this.width / this.picture.width, this.height / this.picture.height);
    this.centre(this.picture.width / 2, this.picture.height / 2, this.fitting, smooth);
  }

  view() {
    const [x, y] = this.toPicture(this.width / 2, this.height / 2);
    return { x, y, scale: this.scale };
  }

  // centre shows a place in the middle.
  centre(x, y, scale, smooth) {
    if (!this.fitting) { return; } // nothing can be seen yet
    scale = Math.max(0.7 * this.fitting, Math.min(largest, scale));
    x = Math.max(0, Math.min(this.picture.width, x));
    y = Math.max(0, Math.min(this.picture.height, y));
    cancelAnimationFrame(this.moving);
    const set = (x, y, scale) => {
      this.scale = scale;
      this.left = x - this.width / 2 / scale;
      this.top = y - this.height / 2 / scale;
      this.draw();
    };
    if (!smooth || this.still.matches || this.scale === undefined) { set(x, y, scale); return; }
    const from = this.view(), start = performance.now(), lasts = 180; // ms
    const step = (now) => {
      const u = Math.min(1, Math.max(0, (now - start) / lasts)), v = u * (2 - u);
      const s = from.scale * (scale / from.scale) ** v;
      // The place moves as the zoom does, so that nothing swings.
      const w = scale === from.scale ? v : (1 / s - 1 / from.scale) / (1 / scale - 1 / from.scale);
      set(from.x + (x - from.x) * w, from.y + (y - from.y) * w, s);
      if (u < 1) { this.moving = requestAnimationFrame(step); }
    };
    this.moving = requestAnimationFrame(step);
  }

  toPicture(x, y) { return [this.left + x / this.scale - 0.5, this.top + y / this.scale - 0.5]; }
  toStage(x, y) { return [(x + 0.5 - this.left) * this.scale, (y + 0.5 - this.top) * this.scale]; }

  // zoom enlarges by a factor about a point of the stage.
  zoom(factor, x = this.width / 2, y = this.height / 2, smooth = false) {
    if (!this.picture) { return; }
    const scale = Math.max(0.7 * this.fitting, Math.min(largest, this.scale * factor));
    const px = this.left + x / this.scale, py = this.top + y / this.scale;
    this.centre(px + (this.width / 2 - x) / scale, py + (this.height / 2 - y) / scale, scale, smooth);
  }

  // move shifts the view by CSS px.
  move(dx, dy, smooth = false) {
    if (!this.picture) { return; }
    const v = this.view();
    this.centre(v.x + dx / this.scale, v.y + dy / this.scale, this.scale, smooth);
  }

  // reveal brings a kernel into view; closely where it was chosen from afar.
  reveal(kernel, closely) {
    const [x0, y0, x1, y1] = boundsOf(kernel.outline);
    const cx = (x0 + x1) / 2, cy = (y0 + y1) / 2, size = Math.max(x1 - x0, y1 - y0, 8);
    const near = 0.3 * Math.min(this.width, this.height) / size; // it takes a third of the view
    if (closely && this.scale < 0.6 * near) { this.centre(cx, cy, near, true); return; }
    const [sx, sy] = this.toStage(cx, cy), rim = 40;
    if (sx < rim || sy < rim || sx > this.width - rim || sy > this.height - rim) { this.centre(cx, cy, this.scale, true); }
  }

  // at returns the kernel at a place, or one close by, or null.
  at(x, y) {
    const slack = reach / this.scale;
    let best = null, least = slack;
    for (const s of this.shapes) {
      const [x0, y0, x1, y1] = s.bounds;
      if (x < x0 - slack || x > x1 + slack || y < y0 - slack || y > y1 + slack) { continue; }
      if (contains(s.kernel.outline, x, y)) { return s.kernel; }
      const d = distance(s.kernel.outline, x, y);
      if (d < least) { least = d; best = s.kernel; }
    }
    return best;
  }

  // towards returns the nearest kernel in a direction, or null.
  towards(from, dx, dy) {
    let best = null, least = Infinity;
    for (const { kernel: k } of this.shapes) {
      if (k.id === from.id) { continue; }
      const ex = k.at[0] - from.at[0], ey = k.at[1] - from.at[1];
      const along = ex * dx + ey * dy, across = Math.abs(ex * dy - ey * dx);
      if (along <= 0 || across > 1.5 * along) { continue; }
      const d = along + 2 * across; // what lies straight ahead comes before what lies aside
      if (d < least) { least = d; best = k; }
    }
    return best;
  }

  draw() {
    if (!this.waiting) { this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.paint(); }); }
  }

  paint() {
    const { ctx } = this;
    ctx.setTransform(1, 0, 0, 1, 0, 0);
    ctx.fillStyle = this.colours.tray;
    ctx.fillRect(0, 0, this.canvas.width, this.canvas.height);
    if (!this.picture || !this.width || this.scale === undefined) { return; }
    this.paintTiles();
    if (this.showOutlines) { this.paintOutlines(); }
    const whole = this.lacking === 0 && (!this.showOutlines || this.layer && this.layer.of === this.of);
    if (this.stage.ariaBusy !== String(!whole)) { this.stage.ariaBusy = String(!whole); }
    const k = this.scale * this.ratio;
    ctx.setTransform(k, 0, 0, k, (0.5 - this.left) * k, (0.5 - this.top) * k);
    ctx.lineJoin = "round";
    if (this.chosen) { this.paintChosen(this.chosen, "#ffd54a"); }
    if (this.tool) { this.tool.paint(ctx, 1 / this.scale); }
  }

  paintTiles() {
    const { ctx, picture: p } = this;
    const k = this.scale * this.ratio;
    const n = Math.max(0, Math.min(p.levels - 1, Math.floor(Math.log2(1 / k) + 0.3))); // a tile may be enlarged by a fifth
    const px = (x) => Math.round((x - this.left) * k), py = (y) => Math.round((y - this.top) * k);
    const wanted = [];
    const last = p.levels - 1;
    wanted.push([last, 0, 0, -1]); // the whole, small, first of all
    const side = p.tile * 2 ** n;
    const tx0 = Math.max(0, Math.floor(this.left / side)), ty0 = Math.max(0, Math.floor(this.top / side));
    const tx1 = Math.min(Math.ceil(p.width / side), Math.ceil((this.left + this.width / this.scale) / side));
    const ty1 = Math.min(Math.ceil(p.height / side), Math.ceil((this.top + this.height / this.scale) / side));
    const mx = this.left + this.width / 2 / this.scale, my = this.top + this.height / 2 / this.scale;
    for (let ty = ty0; ty < ty1; ty++) {
      for (let tx = tx0; tx < tx1; tx++) {
        const x0 = tx * side, y0 = ty * side, x1 = Math.min(p.width, x0 + side), y1 = Math.min(p.height, y0 + side);
        const dx = px(x0), dy = py(y0), dw = px(x1) - dx, dh = py(y1) - dy;
        let level = n, x = tx, y = ty;
        let tile = this.tile(level, x, y);
        if (!tile) { wanted.push([n, tx, ty, Math.hypot((x0 + x1) / 2 - mx, (y0 + y1) / 2 - my)]); }
        while (!tile && level < last) { level++; x >>= 1; y >>= 1; tile = this.tile(level, x, y); }
        if (!tile) { continue; }
        const f = 2 ** level;
        ctx.drawImage(tile, x0 / f - x * p.tile, y0 / f - y * p.tile, Math.min((x1 - x0) / f, tile.width), Math.min((y1 - y0) / f, tile.height), dx, dy, dw, dh);
      }
    }
    this.lacking = wanted.length - 1;
    this.want(wanted);
  }

  tile(level, x, y) {
    const key = level + "/" + x + "/" + y;
    const tile = this.tiles.get(key);
    if (tile) { this.tiles.delete(key); this.tiles.set(key, tile); }
    return tile;
  }

  // want asks for tiles that are lacking, the middle first, and lets go of those
  // that are not needed any more.
  want(wanted) {
    const keys = new Set(wanted.map(([n, x, y]) => n + "/" + x + "/" + y));
    for (const [key, control] of this.asked) { if (!keys.has(key)) { control.abort(); this.asked.delete(key); } }
    wanted.sort((a, b) => a[3] - b[3]);
    const now = performance.now();
    for (const [n, x, y] of wanted) {
      if (this.asked.size >= atOnce) { return; }
      const key = n + "/" + x + "/" + y;
      if (this.tiles.has(key) || this.asked.has(key) || this.failed.get(key) > now - againAfter) { continue; }
      this.fetchTile(key, n, x, y);
    }
  }

  async fetchTile(key, n, x, y) {
    const control = new AbortController(), picture = this.picture;
    this.asked.set(key, control);
    try {
      const blob = await fetchBlob(`${picture.address}&level=${n}&x=${x}&y=${y}`, control.signal);
      const tile = await createImageBitmap(blob); // decoded beside, not on this thread
      if (this.picture.number !== picture.number) { tile.close(); return; }
      this.tiles.set(key, tile);
      this.failed.delete(key);
      const coarsest = this.picture.levels - 1 + "/0/0";
      for (const [old, bitmap] of this.tiles) {
        if (this.tiles.size <= mostTiles) { break; }
        if (old !== coarsest) { this.tiles.delete(old); bitmap.close(); }
      }
      this.hooks.trouble("");
    } catch (e) {
      if (e.name === "AbortError") { return; }
      if (!this.failed.size) { this.hooks.trouble(e.text || e.message); }
      this.failed.set(key, performance.now());
      setTimeout(() => this.draw(), againAfter);
    } finally {
      if (this.asked.get(key) === control) { this.asked.delete(key); }
    }
    this.draw();
  }

  // paintOutlines lays the last picture of the outlines where it belongs, and
  // asks for one of what is seen now: at once where that one lacks something or
  // is much too coarse, else when the view rests.
  paintOutlines() {
    const { ctx, layer } = this;
    if (layer) {
      const v = layer.view, f = this.scale / v.scale;
      ctx.setTransform(1, 0, 0, 1, 0, 0);
      ctx.drawImage(layer.picture, (v.left - this.left) * this.scale * this.ratio, (v.top - this.top) * this.scale * this.ratio, layer.picture.width * f, layer.picture.height * f);
    }
    const v = this.asking ? this.asking.view : layer && layer.view;
    const fresh = v && (this.asking || layer).of === this.of;
    const same = fresh && v.scale === this.scale && v.ratio === this.ratio;
    const covers = fresh && this.left >= v.left && this.top >= v.top && this.left + this.width / this.scale <= v.left + v.width / v.scale && this.top + this.height / this.scale <= v.top + v.height / v.scale;
    clearTimeout(this.resting);
    if (same && covers) { return; }
    if (!fresh || !covers || this.scale > mostEnlarged * v.scale || this.scale < v.scale / mostEnlarged) { this.ask(); } else { this.resting = setTimeout(() => this.ask(), rest); }
  }

  // ask lets the outlines be drawn, of what is seen and some around it.
  ask() {
    if (this.asking || this.scale === undefined) { return; } // the answer leads here again
    const w = this.width / this.scale, h = this.height / this.scale;
    const view = { left: this.left - around * w, top: this.top - around * h, scale: this.scale, width: this.width * (1 + 2 * around), height: this.height * (1 + 2 * around), ratio: this.ratio };
    if (!this.painter) {
      this.layer = { view, of: this.of, picture: drawn(this.outlines, view) };
      this.draw();
      return;
    }
    this.asking = { view, of: this.of };
    this.painter.postMessage(this.asking);
  }

  answered({ picture, view, of }) {
    this.asking = null;
    this.layer?.picture.close?.();
    this.layer = { picture, view, of };
    this.draw();
  }

  // toPainter sends a scene or colours to where outlines are drawn.
  toPainter(what) {
    this.of++;
    if (this.painter) {
      this.painter.postMessage(what);
    } else {
      if (what.scene) { this.outlines.show(what.scene); }
      if (what.colours) { this.outlines.colours = what.colours; }
    }
  }

  stroke(path, colour, width, dash) {
    const { ctx } = this;
    ctx.strokeStyle = colour;
    ctx.lineWidth = width;
    ctx.setLineDash(dash);
    ctx.stroke(path);
    ctx.setLineDash([]);
  }

  paintChosen(kernel, colour) {
    const { ctx } = this;
    const px = 1 / this.scale, path = new Path2D();
    trace(path, kernel.outline);
    ctx.fillStyle = "rgba(255, 255, 255, 0.18)";
    ctx.fill(path);
    this.stroke(path, "#10141c", 7 * px, []);
    this.stroke(path, colour, 3.5 * px, []);
    const [x0, y0, x1, y1] = boundsOf(kernel.outline);
    if (Math.max(x1 - x0, y1 - y0) * this.scale < 40) { // far away: a ring to find it by
      const ring = new Path2D();
      ring.arc((x0 + x1) / 2, (y0 + y1) / 2, 26 * px, 0, 7);
      this.stroke(ring, "#10141c", 5 * px, []);
      this.stroke(ring, colour, 2.5 * px, []);
    }
  }

  choose(kernel) { this.chosen = kernel; this.draw(); }

  listen() {
    const { stage } = this;
    const place = (e) => { const r = stage.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
    stage.addEventListener("wheel", (e) => {
      e.preventDefault();
      const lines = e.deltaMode === 1 ? 16 : 1; // px of a line
      this.zoom(Math.exp(-Math.max(-120, Math.min(120, e.deltaY * lines)) * (e.ctrlKey ? 0.01 : 0.0022)), ...place(e));
    }, { passive: false });
    let moved = false, down = null, gap = 0, lastTap = 0, lastAt = null;
    stage.addEventListener("pointerdown", (e) => {
      if (e.button > 0 || !this.picture) { return; }
      stage.focus({ preventScroll: true });
      stage.setPointerCapture(e.pointerId);
      this.pointers.set(e.pointerId, place(e));
      if (this.pointers.size === 1) {
        moved = false;
        down = place(e);
        if (this.tool) { this.tool.down?.(this.toPicture(...down)); }
      } else {
        moved = true;
        if (this.tool) { this.tool.drop?.(); }
        gap = 0;
      }
    });
    stage.addEventListener("pointermove", (e) => {
      const before = this.pointers.get(e.pointerId);
      if (!before) { return; }
      const now = place(e);
      if (this.pointers.size === 1) {
        if (!moved && Math.hypot(now[0] - down[0], now[1] - down[1]) < tapSlack) { return; }
        moved = true;
        if (this.tool?.drag) {
          this.tool.drag(this.toPicture(...now));
        } else {
          this.move(before[0] - now[0], before[1] - now[1]);
        }
        this.pointers.set(e.pointerId, now);
        return;
      }
      const middle = () => { const [a, b] = [...this.pointers.values()]; return [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2, Math.hypot(a[0] - b[0], a[1] - b[1])]; };
      const [mx, my, was] = middle();
      this.pointers.set(e.pointerId, now);
      const [nx, ny, is] = middle();
      gap = gap || was;
      this.move(mx - nx, my - ny);
      if (was > 0 && is > 0) { this.zoom(is / was, nx, ny); }
    });
    const up = (e) => {
      if (!this.pointers.delete(e.pointerId) || this.pointers.size) { return; }
      const at = place(e);
      if (e.type === "pointercancel") { this.tool?.drop?.(); return; }
      if (moved) { this.tool?.dropped?.(this.toPicture(...at)); return; }
      const p = this.toPicture(...at);
      if (this.tool) { this.tool.tap(p); return; }
      const now = performance.now();
      if (now - lastTap < doubleTap && lastAt && Math.hypot(at[0] - lastAt[0], at[1] - lastAt[1]) < 30) {
        lastTap = 0;
        this.zoom(2.5, at[0], at[1], true);
        return;
      }
      lastTap = now;
      lastAt = at;
      this.hooks.pick(this.at(...p), p);
    };
    stage.addEventListener("pointerup", up);
    stage.addEventListener("pointercancel", up);
  }
}
