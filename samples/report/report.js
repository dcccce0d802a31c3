"use strict";
(function () {
  const tip = document.getElementById("tip");
  const shown = document.getElementById("shown");
  const shapes = new Map();
  document.querySelectorAll(".kernel").forEach(function (g) { shapes.set(g.dataset.ref, g); });
  const rows = new Map();
  document.querySelectorAll(".kernels tbody tr").forEach(function (r) { rows.set(r.id, r); });
  const crops = new Map();
  document.querySelectorAll(".crop").forEach(function (c) { crops.set(c.dataset.ref, c); });
  const heads = Array.from(document.querySelectorAll(".kernels thead th"), function (h) { return h.textContent; });
  let lit = null;

  function light(ref) {
    if (lit === ref) { return; }
    [shapes, rows, crops].forEach(function (m) {
      if (lit && m.has(lit)) { m.get(lit).classList.remove("lit"); }
      if (ref && m.has(ref)) { m.get(ref).classList.add("lit"); }
    });
    lit = ref;
  }

  function describe(ref) {
    const lines = [];
    Array.from(rows.get(ref).cells).forEach(function (c, i) {
      if (c.textContent) { lines.push(heads[i] + ": " + c.textContent); }
    });
    return lines.join("\n");
  }

  function refOf(target) {
    const at = target instanceof Element ? target.closest("[data-ref], .kernels tbody tr") : null;
    return at ? at.dataset.ref || at.id : null;
  }

  document.addEventListener("mousemove", function (e) {
    const ref = refOf(e.target);
    light(ref);
    const over = ref && !e.target.closest(".kernels");
    tip.hidden = !over;
    if (over) {
      tip.textContent = describe(ref);
      tip.style.left = Math.min(e.clientX + 14, window.innerWidth - tip.offsetWidth - 6) + "px";
      tip.style.top = Math.min(e.clientY + 14, window.innerHeight - tip.offsetHeight - 6) + "px";
    }
  });

  document.addEventListener("click", function (e) {
    const at = e.target instanceof Element ? e.target.closest("[data-ref], .kernels tbody tr") : null;
    if (!at) { return; }
    e.preventDefault();
    const ref = at.dataset.ref || at.id;
    const goal = at.tagName === "TR" ? shapes.get(ref) : rows.get(ref);
    if (goal) { goal.scrollIntoView({ block: "center" }); }
    light(ref);
  });

  function filter() {
    const classes = new Set(), only = new Set();
    document.querySelectorAll("[data-show]").forEach(function (b) { if (b.checked) { classes.add(b.dataset.show); } });
    document.querySelectorAll("[data-flag]").forEach(function (b) { if (b.checked) { only.add(b.dataset.flag); } });
    let n = 0;
    rows.forEach(function (row, ref) {
      const flags = row.dataset.flags.split(" ");
      const on = classes.has(row.dataset.class) && (only.size === 0 || flags.some(function (f) { return only.has(f); }));
      row.classList.toggle("off", !on);
      if (shapes.has(ref)) { shapes.get(ref).classList.toggle("off", !on); }
      if (on) { n++; }
    });
    shown.textContent = shown.dataset.text.replace("{n}", n).replace("{all}", rows.size);
  }
  document.querySelectorAll("[data-show], [data-flag]").forEach(function (b) { b.addEventListener("change", filter); });
  filter();

  document.getElementById("printtable").addEventListener("change", function (e) {
    document.body.classList.toggle("print-table", e.target.checked);
  });
})();
