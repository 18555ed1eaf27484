(() => {
"use strict";
const $ = (q, from = document) => from.querySelector(q);
const rows = $("#rows"), form = $("#filter");

// Results: filter, and step through what needs a person.
if (rows && form) {
  form.hidden = false;
  const all = [...rows.tBodies].map(body => ({body, role: body.dataset.r, text: body.textContent.toLowerCase(), rows: [...body.rows]}));
  const total = rows.querySelectorAll("tr[data-v]").length;
  const apply = () => {
    const f = new FormData(form), v = f.get("v"), a = f.get("a"), r = f.get("r"), q = (f.get("q") || "").trim().toLowerCase();
    let shown = 0;
    for (const {body, role, text, rows} of all) {
      let any = false;
      const whole = (!r || role === r) && (!q || text.includes(q));
      for (const row of rows) {
        if (!row.dataset.v) continue;
        const show = whole && (!v || row.dataset.v === v) && (!a || row.dataset.a === a);
        row.hidden = !show;
        if (show) { any = true; shown++; }
      }
      body.hidden = !(any || (whole && !v && !a));
    }
    $("output", form).textContent = `${shown} of ${total} results shown`;
  };
  form.addEventListener("input", apply);
  form.addEventListener("submit", e => e.preventDefault());
  apply();
  rows.tabIndex = 0;
  rows.addEventListener("keydown", e => {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const step = {n: 1, p: -1}[e.key.toLowerCase()];
    if (!step) return;
    const list = [...rows.querySelectorAll('tr[data-v="x"],tr[data-v="c"]')].filter(row => !row.hidden && !row.parentElement.hidden);
    if (!list.length) return;
    const here = document.activeElement.closest("tr");
    let at = list.indexOf(here);
    if (at < 0) {
      const after = here ? list.findIndex(row => here.compareDocumentPosition(row) & 4) : 0;
      at = step > 0 ? (after < 0 ? 0 : after) : (after < 0 ? list.length - 1 : after - 1);
    } else at += step;
    const to = list[(at + list.length) % list.length];
    to.tabIndex = -1;
    to.focus({preventScroll: true});
    to.scrollIntoView({block: "center"});
    e.preventDefault();
  });
}

// Chromatograms: the thumbnail's own path, full size.
const viewer = $("#viewer"), names = JSON.parse($("#transitions")?.textContent || "[]");
const MINUS = "\u2212";
const digits = (v, n) => {
  if (!Number.isFinite(v)) return "\u2013";
  const text = Math.abs(v) >= 1e7 || (v !== 0 && Math.abs(v) < 1e-4)
    ? v.toExponential(n - 1).replace(/e\+?(-?\d+)/, "×10^$1")
    : Number(v.toPrecision(n)).toLocaleString("en", {maximumSignificantDigits: n}).replace(/,/g, "\u202f");
  return text.replace(/-/g, MINUS);
};
const ticks = (low, high, target) => {
  const rough = (high - low) / target, power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map(m => m * power).find(s => s >= rough * .75) || 10 * power;
  const list = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + step * 1e-9; i++) list.push(i * step);
  return list;
};
const points = d => {
  const n = d.match(/-?\d+/g)?.map(Number) || [], list = [];
  for (let i = 0, x = 0, y = 0; i + 1 < n.length; i += 2) list.push([x += n[i], y += n[i + 1]]);
  return list;
};
const escape = text => text.replace(/[&<>"]/g, c => `&#${c.charCodeAt(0)};`);
let current = null, zoomed = false;

const draw = (v, path) => {
  const [t0, t1, low, high, width, expected, , , rt, start, end, b0, b1] = v;
  const L = 78, R = 12, T = 26, B = 46, W = 860, H = 440;
  let floor = low, top = high;
  const list = path ? points(path) : [];
  const counts = y => low + (400 - y) / 400 * (high - low);
  if (zoomed && list.length) {
    // Low part of the window: where limits and baseline are decided.
    const sorted = list.map(p => counts(p[1])).sort((a, b) => a - b);
    const rest = sorted[Math.floor(sorted.length / 2)] - floor;
    top = Math.min(high, floor + Math.max(rest * 3, (high - floor) * .03));
  }
  const X = t => L + (t - t0) / (t1 - t0) * (W - L - R), Y = c => H - B - (c - floor) / (top - floor) * (H - T - B);
  let s = `<svg class="big" viewBox="0 0 ${W} ${H}" role="img" aria-label="Chromatogram"><clipPath id="clip"><path d="M${L} ${T}H${W - R}V${H - B}H${L}z"/></clipPath>`;
  s += '<g clip-path="url(#clip)">';
  if (Number.isFinite(start)) s += `<path class="l" d="M${X(start)} ${T}H${X(end)}V${H - B}H${X(start)}z"/>`;
  s += "</g>";
  s += `<path class="ax" d="M${L} ${T}V${H - B}H${W - R}"/>`;
  for (const t of ticks(t0, t1, 8)) s += `<path class="ax" d="M${X(t)} ${H - B}v5"/><text x="${X(t)}" y="${H - B + 20}" text-anchor="middle">${digits(t, 4)}</text>`;
  for (const c of ticks(floor, top, 6)) s += `<path class="ax" d="M${L - 5} ${Y(c)}h5"/><text x="${L - 9}" y="${Y(c) + 4}" text-anchor="end">${digits(c, 4)}</text>`;
  s += `<text class="lab" x="${(L + W - R) / 2}" y="${H - 6}" text-anchor="middle">Time (min)</text><text class="lab" transform="translate(14 ${(T + H - B) / 2})rotate(-90)" text-anchor="middle">Intensity (counts)</text>`;
  const near = Number.isFinite(rt) && X(rt) > X(expected);
  if (expected >= t0 && expected <= t1) s += `<path class="e" d="M${X(expected)} ${T}V${H - B}"/><text x="${X(expected) + (near ? -5 : 5)}" y="${T - 9}" text-anchor="${near ? "end" : "start"}">expected ${expected.toFixed(3)}</text>`;
  if (Number.isFinite(rt)) s += `<path class="f" d="M${X(rt)} ${T}V${H - B}"/><text class="lab" x="${X(rt) + (near ? 5 : -5)}" y="${T - 9}" text-anchor="${near ? "start" : "end"}">found ${rt.toFixed(3)}</text>`;
  s += '<g clip-path="url(#clip)">';
  if (Number.isFinite(start)) s += `<path class="b" d="M${X(start)} ${Y(b0)}L${X(end)} ${Y(b1)}"/><path class="ed" d="M${X(start)} ${Y(b0) - 9}v18M${X(end)} ${Y(b1) - 9}v18"/>`;
  const at = list.map(([x, y]) => [L + x / width * (W - L - R), Y(counts(y))]);
  if (at.length) s += `<path class="p" d="M${at.map(p => p[0].toFixed(1) + " " + p[1].toFixed(1)).join("L")}"/>`;
  if (at.length <= 240) s += at.map(p => `<circle class="q" cx="${p[0].toFixed(1)}" cy="${p[1].toFixed(1)}" r="2"/>`).join("");
  return s + "</g></svg>";
};

const show = link => {
  current = link;
  const v = link.dataset.v.split(" ").map(x => x === "-" ? NaN : Number(x));
  const [, , , , , expected, area, u, rt, , , , , height, sn, width, tailing, across, ratio] = v;
  const article = link.closest("article"), order = article.id.slice(1), [name, mz] = names[link.dataset.t] || [link.textContent, ""];
  $("#viewer-sample").innerHTML = `<b>${order}</b> ${$("h3 span", article).innerHTML}`;
  $("#viewer-title").innerHTML = `${escape(name)} <small>${escape(mz)}</small>`;
  const path = $(".p", link)?.getAttribute("d");
  $("#viewer-plot").innerHTML = path ? draw(v, path) : '<p class="none">No points were recorded.</p>';
  const found = Number.isFinite(rt), facts = [];
  const fact = (name, value, unit = "") => facts.push(`<dt>${name}</dt><dd>${value}${unit && "\u202f" + unit}</dd>`);
  fact(found ? "Area" : "Residual area", digits(area, 4) + (Number.isFinite(u) ? ` ± ${digits(u, 2)}` : ""), "counts·s");
  if (found) {
    fact("Retention", rt.toFixed(3), "min");
    fact("Expected", expected.toFixed(3), "min");
    fact("Difference", (rt >= expected ? "+" : "") + digits((rt - expected) * 60, 2), "s");
    fact("Height", digits(height, 3), "counts");
    fact("S/N", digits(sn, 3));
    fact("Width at half height", digits(width, 3), "s");
    fact("Tailing", digits(tailing, 3));
    fact("Points across", digits(across, 3));
    if (Number.isFinite(ratio)) fact("Ion ratio", digits(ratio, 3));
  } else fact("Expected", expected.toFixed(3), "min");
  if (link.dataset.f) facts.push(`<dd class="full">${escape(link.dataset.f)}</dd>`);
  $("#viewer-facts").innerHTML = facts.join("");
  let why = "";
  const analytes = [...document.querySelectorAll(`#i${order} tr[data-v] > th`)].map(cell => cell.textContent);
  for (const row of document.querySelectorAll(`#i${order} tr[data-v]`)) {
    const analyte = rows && row.parentElement.rows.length > 1 ? row.cells[0].textContent : "";
    const own = !analyte || name === analyte || name.startsWith(analyte + " "), standard = !own && !analytes.some(a => name === a || name.startsWith(a + " "));
    // An internal standard belongs to no row: its picture carries every reason of the injection.
    if (!own && !(standard && row.cells[3].textContent)) continue;
    why += `<p>${escape(analyte)} ${row.cells[1].innerHTML} ${row.cells[2].innerHTML}</p>${row.cells[3].innerHTML}`;
  }
  $("#viewer-why").innerHTML = why;
  $("[data-zoom]", viewer).setAttribute("aria-pressed", zoomed);
  if (!viewer.open) viewer.showModal();
  history.replaceState(null, "", "#" + link.id);
};
const step = by => {
  const list = [...document.querySelectorAll("#chromatograms .t")], to = list[list.indexOf(current) + by];
  if (to) show(to);
};
const along = by => {
  let article = current.closest("article");
  article = by > 0 ? article.nextElementSibling : article.previousElementSibling;
  const to = article && $(`.t[data-t="${current.dataset.t}"]`, article);
  if (to) show(to);
};
const zoom = () => { zoomed = !zoomed; show(current); };
if (viewer && viewer.showModal) {
  $("#chromatograms").addEventListener("click", e => {
    const link = e.target.closest(".t");
    if (link && !(e.ctrlKey || e.metaKey || e.shiftKey)) { e.preventDefault(); show(link); }
  });
  viewer.addEventListener("click", e => {
    const b = e.target.closest("button");
    if (!b) return;
    if (b.dataset.go) step(Number(b.dataset.go));
    else if (b.dataset.zoom) zoom();
    else viewer.close();
  });
  viewer.addEventListener("keydown", e => {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const act = {ArrowLeft: () => step(-1), ArrowRight: () => step(1), ArrowUp: () => along(-1), ArrowDown: () => along(1), b: zoom, B: zoom}[e.key];
    if (act) { e.preventDefault(); act(); }
  });
  viewer.addEventListener("close", () => {
    history.replaceState(null, "", location.pathname + location.search);
    current?.closest("article").scrollIntoView({block: "nearest"});
    current?.focus();
  });
  const open = () => {
    const link = /^#c\d+-\d+$/.test(location.hash) && $(location.hash);
    if (link) show(link);
  };
  addEventListener("hashchange", open);
  open();
}
})();
