"use strict";
// What the page does: the matrix of fields and tiers, one field at a time, and what if. All text is set as text.

const PAGE = JSON.parse(document.getElementById("page-data").textContent);
const FIRST_ROWS = 60, MORE_ROWS = 240;
const SVG = "http://www.w3.org/2000/svg";
const INCH = 0.0254, FOOT = 0.3048, MILE = 1609.344;
const byId = (id) => document.getElementById(id);
const CLASSES = PAGE.classes.map((one) => one.key), LOOK = Object.fromEntries(PAGE.classes.map((one) => [one.key, one]));

function element(name, { text, children = [], ...attributes } = {}) {
  const out = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) if (value !== null) out.setAttribute(key, value);
  if (text !== undefined) out.textContent = text;
  out.append(...children);
  return out;
}

// ---- figures as people read them; the same rules as pipeline/core/show.py

const SLIGHT = 0.005, ROUNDING = 1e-7;

function readShare(share) {
  if (share >= SLIGHT && share <= 1 - SLIGHT) return +share.toFixed(6);
  const small = +Math.min(share, 1 - share).toPrecision(3);
  return share < SLIGHT ? small : +(1 - small).toFixed(12);
}

function perCent(share) {
  if (!Number.isFinite(share)) return "–";
  const read = readShare(share);
  if (read >= ROUNDING && read < SLIGHT) return "<1";
  if (read >= 1 - SLIGHT && read <= 1 - ROUNDING) return ">99";
  return String(Math.round(100 * wholeShare(share)));
}

// A share as it reads in whole per cent, by which cells are shaded too: what reads 5 % is never of a shade below it.
function wholeShare(share) {
  const read = readShare(share);
  // 0.145 is held as a little less than it reads; what is halfway as it reads is rounded up.
  return read < SLIGHT ? 0 : Math.floor(+(100 * read).toFixed(9) + 0.5) / 100;
}

const shareText = (share) => (Number.isFinite(share) ? `${perCent(share)}\u00a0%` : "–");

function rangeText(low, high) {
  const [first, last] = [perCent(low), perCent(high)];
  if (first === "–" || last === "–") return "–";
  if (first === last) return `${last}\u00a0%`;
  return /^\d+$/.test(first + last) ? `${first}–${last}\u00a0%` : `${first}\u00a0to\u00a0${last}\u00a0%`;
}

function lengthText(metres) {
  if (!Number.isFinite(metres)) return "–";
  const size = Math.abs(metres);
  const [value, unit] = PAGE.units === "us"
    ? size < 2 * FOOT ? [metres / INCH, "in"] : size < MILE ? [metres / FOOT, "ft"] : [metres / MILE, "mi"]
    : size < 1 ? [metres * 100, "cm"] : size < 1000 ? [metres, "m"] : [metres / 1000, "km"];
  const digits = +Math.abs(value).toFixed(1) < 10 ? 1 : 0;
  const read = +value.toFixed(digits) === 0 ? 0 : value;
  return `${read.toFixed(digits).replace(/\B(?=(\d{3})+$)/g, digits ? "" : ",").replace("-", "\u2212")}\u00a0${unit}`;
}

// A width that was set by hand, to the step it can be set by.
const widthText = (metres) => PAGE.units === "us"
  ? `${+(metres / INCH).toFixed(2)}\u00a0in` : `${+(metres * 100).toFixed(1)}\u00a0cm`;

// ---- the matrix

const matrix = { sort: ["field", 1], shown: FIRST_ROWS };

function matrixHead() {
  const names = [["field", "Field"], ...(PAGE.farms.length > 1 ? [["farm", "Farm"]] : []),
    ...PAGE.tiers.map((tier, k) => [k, tier.name])];
  byId("matrix-head").replaceChildren(...names.map(([key, name]) => {
    const button = element("button", { type: "button", text: name });
    button.addEventListener("click", () => {
      const [now, way] = matrix.sort;
      matrix.sort = [key, now === key ? -way : typeof key === "number" ? -1 : 1];
      matrixBody();
    });
    // Browsers repeat the head on every printed page, but not the buttons in it.
    const printed = element("span", { class: "paper", text: name }), way = element("span", { class: "way", "aria-hidden": "true" });
    return element("th", { scope: "col", class: key === "farm" ? "farm" : null, "data-key": key, children: [button, printed, way] });
  }));
}

function wantedFields() {
  const words = byId("filter").value.trim().toLowerCase();
  const farm = byId("farm")?.value ?? "", flagged = byId("flagged").checked;
  const [key, way] = matrix.sort;
  const value = (one) => (key === "field" ? one.id : key === "farm" ? PAGE.farms[one.farm] : one.tiers[key].share[0] ?? -1);
  const compare = (a, b) => (typeof a === "string" ? a.localeCompare(b, "en", { numeric: true }) : a - b);
  return PAGE.fields
    .filter((one) => `${one.id} ${PAGE.farms[one.farm]}`.toLowerCase().includes(words))
    .filter((one) => farm === "" || one.farm === Number(farm))
    .filter((one) => !flagged || one.notes.length > 0)
    .sort((a, b) => way * compare(value(a), value(b)) || compare(a.id, b.id));
}

function matrixBody() {
  const wanted = wantedFields(), shown = wanted.slice(0, matrix.shown);
  byId("matrix-body").replaceChildren(...shown.map(matrixRow));
  const all = PAGE.fields.length, fields = all === 1 ? "field" : "fields";
  byId("matrix-count").textContent = wanted.length === all ? `${all} ${fields}` : `${wanted.length} of ${all} ${fields}`;
  byId("more").hidden = shown.length === wanted.length;
  byId("more").textContent = `Show ${Math.min(MORE_ROWS, wanted.length - shown.length)} more of ${wanted.length - shown.length}`;
  for (const cell of byId("matrix-head").children) {
    const mine = String(matrix.sort[0]) === cell.dataset.key;
    const way = mine ? (matrix.sort[1] > 0 ? "ascending" : "descending") : "none";
    cell.setAttribute("aria-sort", way);
    cell.lastChild.textContent = mine ? (matrix.sort[1] > 0 ? " ▲" : " ▼") : "";
  }
}

function matrixRow(one) {
  const name = element("th", { scope: "row", children: [element("a", { href: one.href, text: one.id })] });
  if (one.notes.length) name.append(element("small", { text: one.notes.join("; ") }));
  const farm = PAGE.farms.length > 1 ? [element("td", { class: "farm", text: PAGE.farms[one.farm] })] : [];
  return element("tr", { children: [name, ...farm, ...one.tiers.map(matrixCell)] });
}

function matrixCell(one) {
  const [share, low, high] = one.share.map((value) => value ?? NaN);
  const shade = Number.isFinite(share) ? PAGE.edges.filter((edge) => wholeShare(share) >= edge).length : "none";
  const cell = element("td", { class: `share shade-${shade}${one.far ? " far" : ""}`, text: shareText(share) });
  cell.append(element("small", { text: rangeText(low, high) }));
  if (one.far) cell.append(element("small", { class: "flag", text: "† out of reach" }));
  if (one.checked) cell.append(element("small", { text: `checked: ${shareText(one.checked[0])} (${rangeText(one.checked[1], one.checked[2])})` }));
  return cell;
}

// ---- one field

let view = null;
const ownAsk = () => ({ error: null, width: null, margin: null });

// An address may come as people write it, or encoded in another way than ours.
function addressed() {
  return location.hash.slice(1).split("/").map((part) => {
    try {
      return encodeURIComponent(decodeURIComponent(part));
    } catch {
      return part;
    }
  });
}

async function openField(folder, tier) {
  const said = PAGE.fields.find((one) => one.folder === folder), text = byId(`packed-${folder}`);
  if (!said || !text) return false;
  let field;
  try {
    field = await unpack(text.textContent);
  } catch {
    byId("matrix-count").textContent = "This browser cannot unpack the fields of this page: the figures are in field_tier.csv.";
    return false;
  }
  if (addressed()[0] !== folder) return true;
  byId("overview").hidden = true;
  byId("field").hidden = false;
  const wanted = PAGE.tiers.findIndex((one) => one.id === tier);
  view = { said, field, model: new FieldModel(field, PAGE.seed), ask: ownAsk(), tier: Math.max(wanted, 0) };
  byId("field-name").textContent = said.id;
  byId("field-facts").textContent = said.facts;
  byId("field-notes").replaceChildren(...said.notes.map((note) => element("li", { text: note })));
  byId("field-links").replaceChildren(...said.links.map(([name, href]) => element("li", { children: [element("a", { href, text: name })] })));
  byId("tables").replaceChildren(...[...field.tables, ...said.tables].map(tableOf));
  byId("has-dug").hidden = field.marks.dug.length === 0;
  byId("has-zone").hidden = field.zones.length === 0;
  byId("map-coarser").hidden = !field.coarser;
  byId("map-coarser").textContent = coarserText(field.coarser);
  tierSwitch();
  sliders();
  view.map = new RowMap(byId("map"), field, { units: PAGE.units, onMove: readMiddle });
  chooseTier(view.tier);
  byId("field-name").focus({ preventScroll: true });
  window.scrollTo(0, 0);
  return true;
}

// What a field that is too large for a page as fine as others' has given up.
function coarserText(said) {
  if (!said) return "";
  const [drawn, offset] = [said.drawn, said.offset].map(lengthText);
  return `This field is large, and drawn coarser than others: its rows to within ${drawn} of their places, their offsets to within ${offset}. Tables, figures and the map's legend are as exact as those of any field.`;
}

function tierSwitch() {
  byId("tiers").replaceChildren(element("legend", { text: "Correction tier" }), ...PAGE.tiers.map((tier, k) => {
    const input = element("input", { type: "radio", name: "tier", value: k, id: `tier-${k}` });
    input.checked = k === view.tier;
    input.addEventListener("change", () => chooseTier(k));
    return element("label", { for: `tier-${k}`, children: [input, element("span", { text: tier.name })] });
  }));
}

function chooseTier(k) {
  view.tier = k;
  history.replaceState(null, "", `#${view.said.folder}/${PAGE.tiers[k].id}`);
  view.ask.error = null;
  const none = nothingToAsk();
  byId("ask-error").disabled = none !== "" || !view.model.canAskError(tierId());
  for (const name of ["ask-width", "ask-margin"]) byId(name).disabled = none !== "";
  for (const line of byId("tables").querySelectorAll("tr[data-tier]")) line.hidden = line.dataset.tier !== tierId();
  view.map.next = view.field.marks.next[tierId()] ?? [];
  byId("has-next").hidden = view.map.next.length === 0;
  asked();
}

// Why there is no half width of a strip, and so nothing to ask for; "" where there is one.
function nothingToAsk() {
  if (view.model.model.half.length) return "";
  return view.field.row_unit.length ? "no row on strips" : "no rows";
}

function errorText(error) {
  if (view.model.canAskError(tierId())) return lengthText(error);
  return view.field.surveyed ? "as surveyed" : "each pass has its own";
}

const tierId = () => PAGE.tiers[view.tier].id;

// Sliders: the error by equal ratios, the others by equal steps [m].
const ERRORS = [0.005, 1], ERROR_STEPS = 200;
const errorAt = (step) => ERRORS[0] * (ERRORS[1] / ERRORS[0]) ** (step / ERROR_STEPS);
const stepOf = (error) => Math.round((ERROR_STEPS * Math.log(Math.max(error, ERRORS[0]) / ERRORS[0])) / Math.log(ERRORS[1] / ERRORS[0]));
const unit = () => (PAGE.units === "us" ? INCH : 0.01);
const ownWidth = () => 2 * (median(view.model.model.half) + view.field.margin);

function median(list) {
  const ordered = [...list].sort((a, b) => a - b);
  return ordered.length ? ordered[ordered.length >> 1] : 0;
}

function sliders() {
  const us = PAGE.units === "us";
  Object.assign(byId("ask-error"), { min: 0, max: ERROR_STEPS, step: 1 });
  Object.assign(byId("ask-width"), us ? { min: 2, max: 20, step: 0.25 } : { min: 5, max: 50, step: 0.5 });
  Object.assign(byId("ask-margin"), us ? { min: 0, max: 4, step: 0.125 } : { min: 0, max: 10, step: 0.25 });
}

// Show what is asked now, and the answer: the expected share and the map at once, its spread a moment later.
function asked() {
  const { model, ask, field } = view, tier = tierId();
  const error = ask.error ?? model.ownError(tier), width = ask.width ?? ownWidth(), margin = ask.margin ?? field.margin;
  const none = nothingToAsk();
  showSlider("ask-error", stepOf(error), none || errorText(error));
  showSlider("ask-width", width / unit(), none || widthText(width));
  showSlider("ask-margin", margin / unit(), none || widthText(margin));
  const own = ask.error === null && ask.width === null && ask.margin === null, told = field.lengths[tier];
  byId("ask-reset").disabled = own;
  const share = model.expectedShare(tier, ask), { half, hold, reach } = model.limits(tier, ask);
  view.map.classify(hold, reach, half.map((h) => h + margin));
  view.map.draw();
  byId("answer-share").textContent = shareText(share);
  Object.assign(byId("answer").dataset, { share, errorM: error, widthM: width, marginM: margin, draws: "" });
  drawOffsets(half.length ? median(half) : NaN);
  // As the run has it the legend says what the tables say. What has no strip or crosses strips is so whatever is asked.
  legend(own ? told : { ...told, ...model.classLengths(tier, ask) });
  clearTimeout(view.timer);
  view.timer = setTimeout(spread, 60, view, { ...ask }, tier);
}

function showSlider(id, value, text) {
  byId(id).value = value;
  byId(id).setAttribute("aria-valuetext", text);
  byId(`${id}-text`).textContent = text;
}

function spread(mine, ask, tier) {
  if (mine !== view) return;
  const count = view.model.draws.count, shares = view.model.shares(tier, ask, count);
  const [p10, p50, p90] = [0.1, 0.5, 0.9].map((p) => percentile(shares, p));
  byId("answer-range").textContent = rangeText(p10, p90);
  Object.assign(byId("answer").dataset, { p10, p50, p90, draws: count });
  drawSpread(shares, p10, p50, p90);
}

function legend(length) {
  const judged = length.holds + length.doubt + length.misses;
  for (const name of CLASSES) {
    const said = name === "no_strip" || name === "crossing" ? lengthText(length[name]) : shareText(judged ? length[name] / judged : NaN);
    byId(`legend-${name}`).textContent = said;
    byId(`legend-${name}`).parentElement.hidden = (name === "no_strip" || name === "crossing") && length[name] < 1;
  }
  const said = ["holds", "doubt", "misses"].map((name) => `${{ holds: "holds", doubt: "is in doubt", misses: "misses" }[name]} on ${shareText(judged ? length[name] / judged : NaN)}`);
  byId("map").setAttribute("aria-label", `Map of field ${view.said.id} under ${PAGE.tiers[view.tier].name}: of the row length, a row ${said.join(", ")}. Arrow keys move it, plus and minus zoom, 0 shows the whole field.`);
}

// By what the place of a row is known.
const KNOWN_BY = { planned: "planned", planted: "logged", surveyed: "surveyed" };

// What the row in the middle of the map is, once single rows can be seen.
function readMiddle() {
  if (!view?.map) return;
  const mine = view;
  const out = byId("map-read");
  if (view.map.scale < STRIPS_FROM) {
    out.textContent = "Zoom in to see strips and single rows.";
    return;
  }
  clearTimeout(view.reading);
  view.reading = setTimeout(() => {
    if (mine !== view) return;
    const near = view.map.nearest(), row = near && view.map.rows.row[near.line];
    if (!near) return;
    const name = `Middle of the map: pass ${view.field.passes[view.field.row_pass[row]]}, row unit ${view.field.row_unit[row]}, from 0 at the left`;
    if (near.key < 0) out.textContent = `${name}, ${near.key === -1 ? "crossing strips" : "no strip"}.`;
    else {
      const pair = near.key >> 1, sd = view.model.sds(tierId(), view.ask)[pair];
      const odds = missProbability(near.offset, view.model.half(pair, view.ask), sd);
      const side = Math.abs(near.offset) < 0.0005 ? "on its strip's centre line" : `${lengthText(Math.abs(near.offset))} ${near.offset > 0 ? "left" : "right"} of its strip's centre line, seen along the bar's travel`;
      out.textContent = `${name}: ${KNOWN_BY[PAGE.kind]} ${side}; ${lengthText(Z95 * sd)} either way, 95 %; odds of missing ${shareText(odds)}.`;
    }
  }, 120);
}

// ---- pictures

function shape(name, attributes, text) {
  const out = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) out.setAttribute(key, value);
  if (text !== undefined) out.textContent = text;
  return out;
}

function bars(svg, values, said, { ticks, marks }) {
  const wide = 420, high = 150, foot = 24, head = 16, most = Math.max(...values, 1e-12), step = wide / values.length;
  svg.setAttribute("viewBox", `0 0 ${wide} ${high}`);
  svg.setAttribute("aria-label", said);
  const parts = values.map((value, k) => shape("rect", {
    x: (k * step + 0.5).toFixed(2), width: Math.max(step - 1, 0.5).toFixed(2), class: "bar",
    y: (high - foot - ((high - foot - head) * value) / most).toFixed(2), height: (((high - foot - head) * value) / most).toFixed(2),
  }));
  parts.push(shape("line", { x1: 0, x2: wide, y1: high - foot, y2: high - foot, class: "axis" }));
  for (const [at, text] of ticks) parts.push(shape("text", { x: at * wide, y: high - 8, class: "tick", "text-anchor": at < 0.02 ? "start" : at > 0.98 ? "end" : "middle" }, text));
  for (const [at, text] of marks) {
    parts.push(shape("line", { x1: at * wide, x2: at * wide, y1: head - 2, y2: high - foot, class: "mark" }));
    parts.push(shape("text", { x: Math.min(Math.max(at * wide, 22), wide - 22), y: 10, class: "tick", "text-anchor": "middle" }, text));
  }
  svg.replaceChildren(...parts);
}

function drawSpread(shares, p10, p50, p90) {
  if (!Number.isFinite(p50)) {
    bars(byId("spread"), [0], "No spread: no row of this field stands by a strip.", { ticks: [[0, "no row on strips"]], marks: [] });
    return;
  }
  // The axis ends at the first round share that leaves at most one spring in a hundred beyond it.
  const end = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5].find((share) => percentile(shares, 0.99) <= share) ?? 1;
  const counts = new Array(40).fill(0);
  shares.forEach((share) => { counts[Math.min(Math.floor((share / end) * 40), 39)] += 1 / shares.length; });
  const apart = (p90 - p10) / end > 0.12;
  bars(byId("spread"), counts, `Spread of the share of the field's row length off its strip: 10th percentile ${shareText(p10)}, median ${shareText(p50)}, 90th percentile ${shareText(p90)}.`, {
    ticks: [0, 0.5, 1].map((at) => [at, `${+(100 * at * end).toFixed(1)} %`]),
    marks: (apart ? [[p10, "10th"], [p90, "90th"]] : [[p50, "median"]]).map(([at, text]) => [Math.min(at / end, 1), text]),
  });
}

function drawOffsets(half) {
  if (nothingToAsk()) {
    bars(byId("offsets"), [0], "No offsets: no row of this field stands by a strip.", { ticks: [[0, "no row on strips"]], marks: [] });
    return;
  }
  const [first, lengths] = view.model.offsets(), far = Math.max(Math.abs(first), Math.abs(first + lengths.length / 1000), 1.25 * (half || 0), 0.02);
  const size = Math.max(Math.ceil((2000 * far) / 60), 1), count = Math.ceil((1000 * far) / size) * 2, edge = (count * size) / 2000;
  const values = new Array(count).fill(0);
  lengths.forEach((length, b) => {
    const at = Math.floor((1000 * (first + edge) + b + 0.5) / size);
    values[Math.min(Math.max(at, 0), count - 1)] += length;
  });
  const at = (offset) => 0.5 + offset / (2 * edge);
  const inside = Number.isFinite(half) && half > 0 ? [[at(-half), "edge"], [at(half), "edge"]] : [];
  bars(byId("offsets"), values, `Row length by offset from the strip's centre line, before any error: from ${lengthText(first)} to ${lengthText(first + lengths.length / 1000)}; the strip less its margin ends ${lengthText(half)} to each side.`, {
    ticks: [[0, `${lengthText(-edge)}`], [0.5, "0"], [1, `${lengthText(edge)}`]], marks: inside,
  });
}

function tableOf(said) {
  const head = element("tr", { children: said.head.map((text) => element("th", { scope: "col", text })) });
  const lines = said.lines.map((line, number) => element("tr", {
    "data-tier": said.tiers?.[number] ?? null,
    children: line.map((text, k) => (k ? element("td", { text, class: text.length > 18 ? "long" : null }) : element("th", { scope: "row", text }))),
  }));
  const table = element("table", { children: [element("caption", { children: [element("span", { text: said.caption })] }), element("thead", { children: [head] }), element("tbody", { children: lines })] });
  return element("div", { class: "wide", tabindex: "0", role: "region", "aria-label": said.caption, children: [table] });
}

// ---- hands on the map

function mapHands() {
  const canvas = byId("map"), fingers = new Map();
  const place = (event) => [event.offsetX, event.offsetY];
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    view?.map.zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0016)), place(event));
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, place(event));
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before || !view) return;
    const now = place(event), others = [...fingers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
    fingers.set(event.pointerId, now);
    if (others.length) {
      const apart = (at) => Math.hypot(at[0] - others[0][0], at[1] - others[0][1]) || 1;
      view.map.zoom(apart(now) / apart(before), [(now[0] + others[0][0]) / 2, (now[1] + others[0][1]) / 2]);
      view.map.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
    } else view.map.pan(now[0] - before[0], now[1] - before[1]);
  });
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (event) => fingers.delete(event.pointerId));
  const keys = {
    ArrowLeft: (map) => map.pan(60, 0), ArrowRight: (map) => map.pan(-60, 0), ArrowUp: (map) => map.pan(0, 60),
    ArrowDown: (map) => map.pan(0, -60), "+": (map) => map.zoom(1.5), "=": (map) => map.zoom(1.5), "-": (map) => map.zoom(1 / 1.5),
    0: (map) => map.fit(), r: (map) => map.toRows(),
  };
  canvas.addEventListener("keydown", (event) => {
    if (!view?.map || event.ctrlKey || event.metaKey || event.altKey || !keys[event.key]) return;
    event.preventDefault();
    keys[event.key](view.map);
  });
  const buttons = { "map-in": (map) => map.zoom(1.6), "map-out": (map) => map.zoom(1 / 1.6), "map-all": (map) => map.fit(), "map-rows": (map) => map.toRows() };
  for (const [id, act] of Object.entries(buttons)) byId(id).addEventListener("click", () => view && act(view.map));
  new ResizeObserver(() => view?.map?.draw()).observe(canvas);
}

function askHands() {
  const values = { "ask-error": (v) => ({ error: errorAt(v) }), "ask-width": (v) => ({ width: v * unit() }), "ask-margin": (v) => ({ margin: v * unit() }) };
  for (const [id, read] of Object.entries(values)) {
    byId(id).addEventListener("input", (event) => {
      Object.assign(view.ask, read(Number(event.target.value)));
      asked();
    });
  }
  byId("ask-reset").addEventListener("click", () => {
    view.ask = ownAsk();
    asked();
  });
}

async function route() {
  const [folder, tier] = addressed();
  if (folder && (await openField(folder, tier))) return;
  view = null;
  byId("field").hidden = true;
  byId("overview").hidden = false;
}

function start() {
  matrixHead();
  for (const id of ["filter", "farm", "flagged"]) byId(id)?.addEventListener("input", () => { matrix.shown = FIRST_ROWS; matrixBody(); });
  byId("more").addEventListener("click", () => { matrix.shown += MORE_ROWS; matrixBody(); });
  matrixBody();
  performance.mark("table");
  mapHands();
  askHands();
  window.addEventListener("hashchange", route);
  window.addEventListener("beforeprint", () => { matrix.shown = Infinity; matrixBody(); });
  route();
}

start();
