"use strict";
// The map of one field, drawn on a canvas from numbers in the page: rows by class, and strips where they are wide enough
// to be seen. A strip is drawn beside the row that belongs to it, at the row's own offset, so that it is true to it.

// How classes are drawn, `LOOK`, is told by the page, as it is told to its legend and to all other pictures.
const INK = "#1d2a33", PAPER = "#fffefa";
const STRIPS_FROM = 4, CLOSEST = 400, ROWS_AT = 40;
// A mark's radius with its rim, and from how far a mark points to its place, both in pixels of the screen.
const MARK = 10, MOVED = 4;

class RowMap {
  constructor(canvas, field, { units, onMove }) {
    this.canvas = canvas;
    this.field = field;
    this.units = units;
    this.onMove = onMove;
    this.paths = {};
    this.rows = rowsOf(field);
    this.boundary = ringsOf(field.boundary);
    this.zones = field.zones.map(ringsOf);
    this.box = boxOf(field.boundary);
    this.strips = stripsOf(this.rows, field.model);
    this.next = [];
    this.fit();
  }

  // Classes of all rows: `hold` and `reach` are the largest offsets that hold, and that do not miss, by pair. Returns the
  // lengths as drawn, by which the tests hold the drawing to the tables; the legend's are `FieldModel.classLengths`.
  classify(hold, reach, half) {
    const paths = Object.fromEntries(CLASSES.map((name) => [name, new Path2D()]));
    const length = Object.fromEntries(CLASSES.map((name) => [name, 0]));
    const { x, y, offset, first, key } = this.rows;
    for (let run = 0; run < key.length; run++) {
      const pair = key[run] >> 1, apart = key[run] === -1 ? "crossing" : key[run] === -2 ? "no_strip" : null;
      let before = null;
      for (let i = first[run]; i < first[run + 1] - 1; i++) {
        const size = Math.hypot(x[i + 1] - x[i], y[i + 1] - y[i]);
        const cuts = apart ? [0, 1] : cutsOf(offset[i], offset[i + 1], hold[pair], reach[pair]);
        for (let c = 0; c + 1 < cuts.length; c++) {
          const middle = Math.abs(offset[i] + 0.5 * (cuts[c] + cuts[c + 1]) * (offset[i + 1] - offset[i]));
          const name = apart ?? (middle <= hold[pair] ? "holds" : middle > reach[pair] ? "misses" : "doubt");
          const path = paths[name];
          if (name !== before) path.moveTo(x[i] + cuts[c] * (x[i + 1] - x[i]), y[i] + cuts[c] * (y[i + 1] - y[i]));
          path.lineTo(x[i] + cuts[c + 1] * (x[i + 1] - x[i]), y[i] + cuts[c + 1] * (y[i + 1] - y[i]));
          length[name] += size * (cuts[c + 1] - cuts[c]);
          before = name;
        }
      }
    }
    this.paths = paths;
    this.half = half;
    return length;
  }

  fit() {
    const { width, height } = this.size();
    const [west, south, east, north] = this.box;
    this.scale = 0.94 * Math.min(width / Math.max(east - west, 1), height / Math.max(north - south, 1));
    this.least = this.scale / 3;
    this.x = 0.5 * (west + east);
    this.y = 0.5 * (south + north);
    this.draw();
  }

  size() {
    return { width: Math.max(this.canvas.clientWidth, 10), height: Math.max(this.canvas.clientHeight, 10) };
  }

  zoom(by, at) {
    const { width, height } = this.size();
    const px = at ? at[0] - width / 2 : 0, py = at ? height / 2 - at[1] : 0;
    const scale = Math.min(Math.max(this.scale * by, this.least), CLOSEST);
    this.x += px / this.scale - px / scale;
    this.y += py / this.scale - py / scale;
    this.scale = scale;
    this.draw();
  }

  pan(px, py) {
    this.x -= px / this.scale;
    this.y += py / this.scale;
    const [west, south, east, north] = this.box;
    this.x = Math.min(Math.max(this.x, west), east);
    this.y = Math.min(Math.max(this.y, south), north);
    this.draw();
  }

  // From a view of many rows to the row nearest to its middle.
  toRows() {
    const near = this.nearest();
    if (near) [this.x, this.y] = near.place;
    this.scale = Math.max(this.scale, ROWS_AT);
    this.draw();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      this.paint();
      this.onMove?.();
    });
  }

  paint() {
    const { width, height } = this.size(), dense = window.devicePixelRatio || 1;
    if (this.canvas.width !== Math.round(width * dense)) this.canvas.width = Math.round(width * dense);
    if (this.canvas.height !== Math.round(height * dense)) this.canvas.height = Math.round(height * dense);
    const ctx = this.canvas.getContext("2d"), k = this.scale;
    ctx.setTransform(dense, 0, 0, dense, 0, 0);
    ctx.fillStyle = PAPER;
    ctx.fillRect(0, 0, width, height);
    ctx.setTransform(dense * k, 0, 0, -dense * k, dense * (width / 2 - k * this.x), dense * (height / 2 + k * this.y));
    ctx.lineJoin = "round";
    if (k >= STRIPS_FROM && this.half) {
      ctx.strokeStyle = PAGE.strip;
      this.strips.forEach((path, pair) => {
        ctx.lineWidth = 2 * this.half[pair];
        if (this.half[pair] > 0) ctx.stroke(path);
      });
    }
    const wide = Math.min(Math.max(0.3 * this.field.spacing * k, 0.9), 3.2);
    for (const name of ["no_strip", "crossing", "holds", "doubt", "misses"]) {
      if (!this.paths[name]) continue;
      ctx.strokeStyle = LOOK[name].colour;
      ctx.lineWidth = (wide * LOOK[name].weight) / k;
      ctx.setLineDash(LOOK[name].dashed ? [3 / k, 4 / k] : []);
      ctx.stroke(this.paths[name]);
    }
    ctx.setLineDash([]);
    ctx.strokeStyle = INK;
    ctx.lineWidth = 1.6 / k;
    ctx.stroke(this.boundary);
    ctx.setLineDash([7 / k, 4 / k]);
    ctx.lineWidth = 1.4 / k;
    this.zones.forEach((zone) => ctx.stroke(zone));
    ctx.setTransform(dense, 0, 0, dense, 0, 0);
    ctx.setLineDash([]);
    this.marks(ctx, width, height);
    this.furniture(ctx, width, height);
  }

  marks(ctx, width, height) {
    const place = ([x, y]) => [width / 2 + this.scale * (x - this.x), height / 2 - this.scale * (y - this.y)];
    const dug = this.field.marks.dug.map(place), there = this.next.map(place);
    this.placed = setApart(there, dug, { width, height });
    this.pointers(ctx, there);
    ctx.lineWidth = 2;
    dug.forEach(([x, y]) => {
      ctx.strokeStyle = PAPER;
      ctx.fillStyle = INK;
      ctx.beginPath();
      ctx.rect(x - 5, y - 5, 10, 10);
      ctx.fill();
      ctx.stroke();
    });
    ctx.font = "bold 11px Verdana, sans-serif";
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    ctx.strokeStyle = PAPER;
    this.placed.forEach(([x, y], number) => {
      ctx.beginPath();
      ctx.arc(x, y, 9, 0, 2 * Math.PI);
      ctx.fillStyle = PAGE.dig;
      ctx.fill();
      ctx.stroke();
      ctx.fillStyle = "#fff";
      ctx.fillText(String(number + 1), x, y + 0.5);
    });
  }

  // A thin line from a mark that had to move to its true place, light beneath so that it is seen on any row.
  pointers(ctx, there) {
    for (const [colour, wide] of [[PAPER, 3.5], [INK, 1.2]]) {
      ctx.strokeStyle = colour;
      ctx.lineWidth = wide;
      ctx.beginPath();
      there.forEach(([x, y], k) => {
        const [mx, my] = this.placed[k];
        if (Math.hypot(mx - x, my - y) <= MOVED) return;
        ctx.moveTo(x, y);
        ctx.lineTo(mx, my);
      });
      ctx.stroke();
    }
  }

  // Scale bar, north arrow, and the mark of the middle, whose row is told below the map.
  furniture(ctx, width, height) {
    const [length, text] = scaleBar(110 / this.scale, this.units), px = length * this.scale;
    ctx.fillStyle = "rgba(255, 254, 250, 0.88)";
    ctx.fillRect(8, height - 36, px + 16, 28);
    ctx.fillRect(width - 34, 8, 26, 40);
    ctx.strokeStyle = ctx.fillStyle = INK;
    ctx.lineWidth = 1.5;
    ctx.beginPath();
    ctx.moveTo(16, height - 18);
    ctx.lineTo(16, height - 13);
    ctx.lineTo(16 + px, height - 13);
    ctx.lineTo(16 + px, height - 18);
    ctx.moveTo(width - 21, 42);
    ctx.lineTo(width - 21, 24);
    ctx.stroke();
    ctx.beginPath();
    ctx.moveTo(width - 21, 19);
    ctx.lineTo(width - 25, 29);
    ctx.lineTo(width - 17, 29);
    ctx.fill();
    ctx.font = "11px Verdana, sans-serif";
    ctx.textAlign = "center";
    ctx.textBaseline = "alphabetic";
    ctx.fillText(text, 16 + px / 2, height - 20);
    ctx.fillText("N", width - 21, 17);
    if (this.scale < STRIPS_FROM) return;
    ctx.beginPath();
    for (const [x, y] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      ctx.moveTo(width / 2 + 5 * x, height / 2 + 5 * y);
      ctx.lineTo(width / 2 + 13 * x, height / 2 + 13 * y);
    }
    ctx.stroke();
  }

  // The place on a row nearest to the middle of the map.
  nearest() {
    const { x, y, offset, first, key, line } = this.rows;
    let best = null, least = Infinity;
    for (let run = 0; run < key.length; run++) {
      for (let i = first[run]; i < first[run + 1] - 1; i++) {
        const dx = x[i + 1] - x[i], dy = y[i + 1] - y[i], size = dx * dx + dy * dy;
        const share = size ? Math.min(Math.max(((this.x - x[i]) * dx + (this.y - y[i]) * dy) / size, 0), 1) : 0;
        const px = x[i] + share * dx, py = y[i] + share * dy, far = (px - this.x) ** 2 + (py - this.y) ** 2;
        if (far < least) {
          least = far;
          best = { place: [px, py], key: key[run], offset: offset[i] + share * (offset[i + 1] - offset[i]), line: line[run] };
        }
      }
    }
    return best;
  }
}

// Places on the screen moved as little as needed for their marks to be clear of each other and of those that stay, and to be
// seen whole where their place is seen. As `set_apart` of the sheets: each is pushed by half of what is missing.
function setApart(there, fixed, { width, height }) {
  const seen = there.map(([x, y]) => x >= 0 && x <= width && y >= 0 && y <= height);
  const within = (value, most) => Math.min(Math.max(value, MARK), most - MARK);
  const kept = ([x, y], k) => (seen[k] ? [within(x, width), within(y, height)] : [x, y]);
  const moved = there.map(kept), everyone = [...moved, ...fixed], least = 2 * MARK;
  for (let round = 0, near = true; near && round < 200; round++) {
    near = false;
    const by = moved.map(() => [0, 0]);
    moved.forEach(([x, y], a) => everyone.forEach(([ox, oy], b) => {
      const far = Math.hypot(x - ox, y - oy);
      if (a === b || far >= least) return;
      near = true;
      const share = (b < moved.length ? 0.55 : 1.05) * (least - far);
      // Two at one place part to the sides, the first to the left.
      const [ux, uy] = far < 1e-6 ? [a < b ? -1 : 1, 0] : [(x - ox) / far, (y - oy) / far];
      by[a][0] += share * ux;
      by[a][1] += share * uy;
    }));
    moved.forEach((one, k) => { [one[0], one[1]] = kept([one[0] + by[k][0], one[1] + by[k][1]], k); });
  }
  return moved;
}

// Where along a piece whose offset runs from a to b its class may change, from 0 to 1.
function cutsOf(a, b, hold, reach) {
  if (a === b) return [0, 1];
  const cuts = [-reach, -hold, hold, reach].map((limit) => (limit - a) / (b - a)).filter((t) => t > 0 && t < 1);
  return cuts.length ? [0, ...cuts.sort((s, t) => s - t), 1] : [0, 1];
}

// Rows as runs of points with an offset each: the vertices of the lines and the places of the offsets, in one order.
function rowsOf(field) {
  const { lines, runs } = field, x = summed(lines.x, lines.unit), y = summed(lines.y, lines.unit);
  const begin = [0], along = new Float64Array(x.length), row = summed(lines.row, 1);
  lines.n.forEach((n, k) => {
    begin.push(begin[k] + n);
    for (let i = begin[k] + 1; i < begin[k + 1]; i++) along[i] = along[i - 1] + Math.hypot(x[i] - x[i - 1], y[i] - y[i - 1]);
  });
  const lineOf = summed(runs.line, 1), keyOf = summed(runs.key, 1);
  const at = summed(runs.along, runs.along_unit), offsetAt = summed(runs.offset, runs.offset_unit);
  const out = { x: [], y: [], offset: [], first: [0], key: Int32Array.from(keyOf), line: Int32Array.from(lineOf), row };
  let place = 0;
  runs.n.forEach((n, run) => {
    const line = lineOf[run], last = begin[line + 1] - 1;
    let vertex = begin[line];
    for (let k = 0; k < n; k++, place++) {
      while (vertex < last && along[vertex + 1] <= at[place]) {
        vertex++;
        if (k && along[vertex] > at[place - 1] && along[vertex] < at[place]) {
          const share = (along[vertex] - at[place - 1]) / (at[place] - at[place - 1]);
          push(out, x[vertex], y[vertex], offsetAt[place - 1] + share * (offsetAt[place] - offsetAt[place - 1]));
        }
      }
      const next = Math.min(vertex + 1, last), size = along[next] - along[vertex];
      const share = size > 0 ? Math.min((at[place] - along[vertex]) / size, 1) : 0;
      push(out, x[vertex] + share * (x[next] - x[vertex]), y[vertex] + share * (y[next] - y[vertex]), offsetAt[place]);
    }
    out.first.push(out.x.length);
  });
  return out;
}

function push(out, x, y, offset) {
  out.x.push(x);
  out.y.push(y);
  out.offset.push(offset);
}

// Centre lines of the strips by pair: beside each row by its offset, which counts to the left of the strip's travel.
function stripsOf(rows, model) {
  const paths = model.strip.map(() => new Path2D());
  const { x, y, offset, first, key } = rows;
  key.forEach((one, run) => {
    if (one < 0) return;
    const path = paths[one >> 1], side = one & 1 ? -1 : 1;
    for (let i = first[run]; i < first[run + 1]; i++) {
      const a = Math.max(i - 1, first[run]), b = Math.min(i + 1, first[run + 1] - 1);
      const dx = x[b] - x[a], dy = y[b] - y[a], size = Math.hypot(dx, dy) || 1, by = (side * offset[i]) / size;
      path[i === first[run] ? "moveTo" : "lineTo"](x[i] + dy * by, y[i] - dx * by);
    }
  });
  return paths;
}

function ringsOf(said) {
  const x = summed(said.x, said.unit), y = summed(said.y, said.unit), path = new Path2D();
  let at = 0;
  said.n.forEach((n) => {
    for (let i = 0; i < n; i++, at++) path[i ? "lineTo" : "moveTo"](x[at], y[at]);
    path.closePath();
  });
  return path;
}

function boxOf(said) {
  const x = summed(said.x, said.unit), y = summed(said.y, said.unit);
  const ends = (list) => [list.reduce((a, b) => Math.min(a, b)), list.reduce((a, b) => Math.max(a, b))];
  const [west, east] = ends(x), [south, north] = ends(y);
  return [west, south, east, north];
}

// A round length that is no longer than told, and its text.
function scaleBar(most, units) {
  const kinds = units === "us" ? [[1609.344, "mi", 0.25], [0.3048, "ft", 1], [0.0254, "in", 0]] : [[1000, "km", 1], [1, "m", 1], [0.01, "cm", 0]];
  const [size, name] = kinds.find(([one, , least]) => most / one >= least);
  const power = 10 ** Math.floor(Math.log10(most / size));
  const number = [5, 2, 1].find((step) => step * power <= most / size) * power;
  return [number * size, `${+number.toPrecision(3)} ${name}`];
}
