"use strict";
// The return error of one field, asked again under another repeatable error, strip width or margin. The names and the
// formulas are those of pipeline/core: tier, operations, draws, reduced, percentiles. Lengths are metres, times seconds.

const Z95 = 1.959963984540054;
// As in the tables: what lies on a limit but for rounding is on the near side of it.
const ON_LIMIT_M = 1e-6;
const PASS_TO_PASS_S = 900;
const DRAWS = 16384, FEWEST_DRAWS = 1024;
// Groups times draws, and stretches of pass times draws: where passes curve there are many groups.
const MOST_LOOKED_UP = 1.2e7, MOST_DRAWN = 2e6;
const POOL = 1 << 18;
// Biases and starts, at most, whose numbers are spread evenly; those of more are random.
const MOST_EVEN = 6;
const GRID_M = 0.0025, BIN_M = 0.001;
// Beyond so many standard deviations nothing is left of a normal curve.
const FAR = 5;

// Normal probability, to 1.5e-7: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 7.1.26.
function normalBelow(x) {
  const z = Math.abs(x) / Math.SQRT2;
  const t = 1 / (1 + 0.3275911 * z);
  const tail = ((((1.061405429 * t - 1.453152027) * t + 1.421413741) * t - 0.284496736) * t + 0.254829592) * t;
  const half = 0.5 * tail * Math.exp(-z * z);
  return x > 0 ? 1 - half : half;
}

function missProbability(offset, half, sd) {
  if (half < 0) return 1;
  const o = Math.abs(offset);
  if (sd === 0) return o > half ? 1 : 0;
  return normalBelow((o - half) / sd) + normalBelow((-o - half) / sd);
}

// A small generator of even numbers in (0, 1) with a seed: a counter run through a mixer of 32 bits.
function evenNumbers(seed) {
  let state = seed >>> 0;
  return () => {
    state = (state + 0x9e3779b9) >>> 0;
    let x = state;
    x = Math.imul(x ^ (x >>> 16), 0x21f0aaad);
    x = Math.imul(x ^ (x >>> 15), 0x735a2d97);
    return (((x ^ (x >>> 15)) >>> 0) + 0.5) / 4294967296;
  };
}

// Two normal numbers from two even ones (Box and Muller 1958), put at the same place of both lists.
function normalPair(u, v, east, north, at) {
  const r = Math.sqrt(-2 * Math.log(u));
  east[at] = r * Math.cos(2 * Math.PI * v);
  north[at] = r * Math.sin(2 * Math.PI * v);
}

function summed(steps, unit) {
  const out = new Float64Array(steps.length);
  let now = 0;
  for (let i = 0; i < steps.length; i++) out[i] = (now += steps[i]) * unit;
  return out;
}

// Lines of a table of lengths, as `page_code.sparse` writes them.
function lengthsOf(said, step) {
  const out = [];
  let at = 0;
  for (let k = 0; k < said.n.length; k++) {
    const values = new Float64Array(said.n[k]);
    for (let b = 0; b < values.length; b++) values[b] = said.v[at++] * said.unit;
    out.push({ first: (said.first + step * said.from[k]) / 1000, values });
  }
  return out;
}

class Draws {
  // Standard normals of a field: the visits' biases, the machine's and the bases' from an additive recurrence, which fills
  // their few dimensions evenly; starts and drift at random.
  constructor(field, seed, count) {
    this.count = count;
    this.seed = seed;
    this.clocks = field.clocks;
    this.drifts = new Map();
    this.kinds = new Map();
    const random = evenNumbers(seed);
    // Each stretch reads its steps from a place of its own in one long list: making them anew takes a second.
    this.list = new Float32Array(POOL);
    for (let k = 0; k < POOL; k += 2) {
      const r = Math.sqrt(-2 * Math.log(random())), turn = 2 * Math.PI * random();
      this.list[k] = r * Math.cos(turn);
      this.list[k + 1] = r * Math.sin(turn);
    }
    this.machine = this.steps(random);
  }

  steps(random) {
    const at = Math.floor(random() * (POOL - this.count));
    return this.list.subarray(at, at + this.count);
  }

  // Shared numbers of one kind (bias, start, base) of an operation, [east, north] of `size` lines of draws.
  shared(kind, operation, size) {
    const name = `${kind} ${operation} ${size}`;
    if (!this.kinds.has(name)) {
      const east = new Float32Array(size * this.count), north = new Float32Array(size * this.count);
      const random = evenNumbers(this.seed + hashOf(name));
      for (let line = 0; line < size; line++) {
        const even = kind === "base" ? null : this.evenly(2 * this.placeOf(kind, operation, line));
        for (let k = 0; k < this.count; k++) {
          const [u, v] = even ? even(k) : [random(), random()];
          normalPair(u, v, east, north, line * this.count + k);
        }
      }
      this.kinds.set(name, [east, north]);
    }
    return this.kinds.get(name);
  }

  // Where the pair of dimensions of a line lies among those that are filled evenly, biases before starts; -1 beyond them.
  placeOf(kind, operation, line) {
    const lines = (list) => list.reduce((most, one) => Math.max(most, one), 0) + 1;
    const [a, b] = ["strip", "planter"].map((name) => lines(this.clocks[name].visit));
    const before = { "bias strip": 0, "bias planter": a, "start strip": a + b, "start planter": a + b + 1 };
    this.pairs = Math.min(a + b + 2, MOST_EVEN);
    const place = before[`${kind} ${operation}`] + line;
    const room = { "bias strip": a, "bias planter": a + b, "start strip": a + b + 1 }[`${kind} ${operation}`] ?? MOST_EVEN;
    return place < Math.min(room, MOST_EVEN) ? place : -1;
  }

  // Two dimensions of an additive recurrence: multiples of powers of the root of x^(d+1) = x + 1, which leave no large gap
  // in d dimensions.
  evenly(dimension) {
    if (dimension < 0) return null;
    let root = 1.5;
    for (let k = 0; k < 60; k++) root = (1 + root) ** (1 / (2 * this.pairs + 1));
    const steps = [1, 2].map((more) => root ** -(dimension + more));
    const begin = evenNumbers(this.seed + 104729 * (dimension + 1)), first = [begin(), begin()];
    return (k) => steps.map((step, axis) => Math.max((first[axis] + (k + 1) * step) % 1, 1e-9));
  }

  // Drift of an operation's stretches with a standard deviation of 1, by tier: a first-order Gauss-Markov chain.
  drift(operation, said) {
    const times = this.clocks[operation].t, count = this.count;
    const key = operation + JSON.stringify([said.source, said.sources.map((one) => one.T)]);
    if (this.drifts.has(key)) return this.drifts.get(key);
    const out = [new Float32Array(times.length * count), new Float32Array(times.length * count)];
    said.sources.forEach((source, number) => {
      const mine = said.source.flatMap((one, k) => (one === number ? [k] : []));
      mine.sort((a, b) => times[a] - times[b] || a - b);
      mine.forEach((now, k) => {
        const random = evenNumbers(this.seed + 7919 * (now + 1) + (operation === "strip" ? 1 : 2));
        const before = k ? mine[k - 1] : now;
        const keep = k ? Math.exp(-(times[now] - times[before]) / source.T) : 0;
        const fresh = Math.sqrt(1 - keep * keep);
        [this.steps(random), this.steps(random)].forEach((step, axis) => {
          const state = out[axis];
          for (let d = 0; d < count; d++) {
            state[now * count + d] = fresh * step[d] + (k ? keep * state[before * count + d] : 0);
          }
        });
      });
    });
    this.drifts.set(key, out);
    return out;
  }
}

function hashOf(text) {
  let h = 2166136261;
  for (let i = 0; i < text.length; i++) h = Math.imul(h ^ text.charCodeAt(i), 16777619);
  return h >>> 0;
}

class FieldModel {
  constructor(field, seed) {
    this.field = field;
    this.model = field.model;
    this.byPair = lengthsOf(field.model.by_pair, 1);
    this.gathered = this.byPair.map(gathered);
    this.byGroup = lengthsOf(field.model.by_group, field.model.coarse);
    this.total = this.byPair.reduce((sum, one) => sum + one.values.reduce((a, b) => a + b, 0), 0);
    const stretches = field.clocks.strip.t.length + field.clocks.planter.t.length;
    const most = Math.min(MOST_LOOKED_UP / Math.max(this.byGroup.length, 1), MOST_DRAWN / Math.max(stretches, 1));
    const few = 2 ** Math.floor(Math.log2(most));
    this.draws = new Draws(field, seed, Math.min(Math.max(few, FEWEST_DRAWS), DRAWS));
    this.curves = null;
  }

  // Whether another repeatable error can be asked for: not where the passes' own tiers, or a survey, say what it is.
  canAskError(tier) {
    const of = this.field.errors[tier].planter.sources;
    return !this.field.surveyed && of.length === 1 && of[0].id === tier;
  }

  ownError(tier) {
    return this.field.errors[tier].planter.sources[0]?.R ?? 0;
  }

  // Half width less the margin of a pair; `ask` has `error`, `width` and `margin`, null where nothing else is asked.
  half(pair, ask) {
    const own = 2 * (this.model.half[pair] + this.field.margin);
    return (ask.width ?? own) / 2 - (ask.margin ?? this.field.margin);
  }

  // Standard deviations of bias, drift, start and base of the stretches of one operation.
  operation(name, tier, ask) {
    const said = this.field.errors[tier][name];
    const spreads = said.sources.map((one) => spreadOf(one, one.id === tier ? ask.error ?? one.R : one.R));
    const size = said.source.length;
    const out = { bias: new Float64Array(size), drift: new Float64Array(size), start: new Float64Array(size),
      base: new Float64Array(size), variance: new Float64Array(size), said };
    for (let k = 0; k < size; k++) {
      const one = spreads[said.source[k]], factor = said.factor[k] / Math.SQRT2;
      out.bias[k] = one.bias * factor;
      out.drift[k] = one.drift * said.factor[k];
      const left = 2 * one.R * one.more * said.once[k] + one.more * one.more * said.twice[k];
      out.start[k] = (Math.sqrt(left) / Z95) * factor;
      out.base[k] = one.base / Math.SQRT2;
      out.variance[k] = out.bias[k] ** 2 + out.drift[k] ** 2 + out.start[k] ** 2 + out.base[k] ** 2;
    }
    return out;
  }

  // Standard deviation of the offset at a place of each pair.
  sds(tier, ask) {
    const strip = this.operation("strip", tier, ask).variance, planter = this.operation("planter", tier, ask).variance;
    const more = this.field.machine ** 2 + this.field.wander ** 2;
    return this.model.strip.map((s, k) => Math.sqrt(strip[s] + planter[this.model.planter[k]] + more));
  }

  // By pair: half width less the margin, the largest offset that holds at the 95 % bound, and the largest that does not miss.
  limits(tier, ask) {
    const bound = this.sds(tier, ask).map((sd) => Z95 * sd), half = bound.map((_, pair) => this.half(pair, ask));
    return { half, hold: half.map((h, k) => h - bound[k] + ON_LIMIT_M), reach: half.map((h, k) => h + bound[k] + ON_LIMIT_M) };
  }

  expectedShare(tier, ask) {
    const sds = this.sds(tier, ask);
    let missed = 0;
    this.byPair.forEach((one, pair) => {
      const half = this.half(pair, ask), sd = sds[pair];
      for (let b = 0; b < one.values.length; b++) {
        // Whole millimetres, so that an offset at the very edge is there and not beside it.
        const offset = Math.round(1000 * one.first + b) / 1000;
        missed += one.values[b] * missProbability(offset, half, sd);
      }
    });
    return this.total ? missed / this.total : NaN;
  }

  // Row length on strips by class, from the offsets that the expected share is from: rows are drawn with fewer of them.
  classLengths(tier, ask) {
    const { hold, reach } = this.limits(tier, ask), out = { holds: 0, doubt: 0, misses: 0 };
    this.gathered.forEach(({ size, offset }, pair) => {
      // What a bin holds lies to either side of its middle; where no row can be in doubt, at its middle.
      const wide = Math.max(Math.min(BIN_M, reach[pair] - hold[pair]), 0);
      size.forEach((length, b) => {
        const spread = size.length > 1 ? wide : 0;
        const holds = shareWithin(offset[b], hold[pair], spread), within = shareWithin(offset[b], reach[pair], spread);
        out.holds += length * holds;
        out.doubt += length * (within - holds);
        out.misses += length * (1 - within);
      });
    });
    return out;
  }

  // Errors of the stretches under joint draws, [east, north].
  drawn(name, tier, ask, count) {
    const one = this.operation(name, tier, ask), said = one.said, all = this.draws.count;
    const visits = this.field.clocks[name].visit, sources = said.sources.length;
    const largest = (list) => list.reduce((most, value) => Math.max(most, value), -1) + 1;
    const bias = this.draws.shared("bias", name, largest(visits) * sources);
    const start = one.start.some((sd) => sd > 0) ? this.draws.shared("start", name, largest(said.start)) : null;
    const base = one.base.some((sd) => sd > 0) ? this.draws.shared("base", name, sources) : null;
    const drift = this.draws.drift(name, said);
    return [0, 1].map((axis) => {
      const out = new Float32Array(visits.length * count);
      for (let k = 0; k < visits.length; k++) {
        const b = bias[axis], bAt = (visits[k] * sources + said.source[k]) * all, bSd = one.bias[k];
        const g = drift[axis], gAt = k * all, gSd = one.drift[k];
        for (let d = 0; d < count; d++) out[k * count + d] = bSd * b[bAt + d] + gSd * g[gAt + d];
        if (one.start[k]) addTo(out, k * count, start[axis], said.start[k] * all, one.start[k], count);
        if (one.base[k]) addTo(out, k * count, base[axis], said.source[k] * all, one.base[k], count);
      }
      return out;
    });
  }

  // Row length of each group up to an offset, smoothed by the wander, which is independent from place to place: what
  // holds under a shift s is then the difference of this curve at h - s and -h - s.
  smoothed() {
    if (this.curves) return this.curves;
    const wander = this.field.wander, bin = this.model.coarse / 1000, perBin = Math.round(bin / GRID_M);
    const reach = Math.ceil(Math.max(FAR * wander, bin) / GRID_M);
    const step = Float64Array.from({ length: 2 * reach + 1 }, (_, j) => {
      const y = (j - reach) * GRID_M;
      return wander > bin / 3 ? normalBelow(y / wander) : Math.min(Math.max(y / bin + 0.5, 0), 1);
    });
    this.curves = this.byGroup.map((one) => {
      const values = new Float32Array(perBin * Math.max(one.values.length - 1, 0) + 2 * reach + 2);
      let whole = 0;
      one.values.forEach((length, b) => {
        const middle = b * perBin + reach;
        for (let j = -reach; j <= reach; j++) values[middle + j] += length * step[j + reach];
        for (let at = middle + reach + 1; at < values.length; at++) values[at] += length;
        whole += length;
      });
      return { first: one.first - reach * GRID_M, values, whole };
    });
    return this.curves;
  }

  // Missed share under joint draws, in order.
  shares(tier, ask, count) {
    const autumn = this.drawn("strip", tier, ask, count), spring = this.drawn("planter", tier, ask, count);
    const machine = this.draws.machine, sdMachine = this.field.machine, m = this.model;
    const missed = new Float32Array(count);
    let total = 0;
    this.smoothed().forEach((curve, g) => {
      const pair = m.pair[g], half = this.half(pair, ask);
      const a = m.strip[pair] * count, b = m.planter[pair] * count;
      total += curve.whole;
      if (half < 0) for (let d = 0; d < count; d++) missed[d] += curve.whole;
      else addMissed(missed, curve, half, count, a, b, autumn, spring, machine, m.nx[g] / 1e4, m.ny[g] / 1e4, m.heading[g] * sdMachine);
    });
    for (let d = 0; d < count; d++) missed[d] = total ? Math.min(Math.max(missed[d] / total, 0), 1) : NaN;
    return missed.sort();
  }

  // Row length by offset, of all pairs: [offset of the first bin, lengths in bins of a millimetre].
  offsets() {
    if (!this.byPair.length) return [0, new Float64Array(0)];
    const first = Math.min(...this.byPair.map((one) => Math.round(1000 * one.first)));
    const last = Math.max(...this.byPair.map((one) => Math.round(1000 * one.first) + one.values.length));
    const out = new Float64Array(Math.max(last - first, 0));
    this.byPair.forEach((one) => {
      const at = Math.round(1000 * one.first) - first;
      one.values.forEach((length, b) => { out[at + b] += length; });
    });
    return [first / 1000, out];
  }
}

// Lengths of a pair, and how far off the strip's centre line each lies. Rows that lie at one offset all along are in two
// bins, shared so that their mean is kept: there they are, and at no other place may a limit part them.
function gathered({ first, values }) {
  const size = Array.from(values), bin = Math.round(1000 * first);
  const whole = size.reduce((sum, one) => sum + one, 0);
  if (size.length === 2 && whole > 0) return { size: [whole], offset: [Math.abs(bin + size[1] / whole) / 1000] };
  return { size, offset: size.map((_, b) => Math.abs(bin + b) / 1000) };
}

// Share of a bin so wide, with its middle at an offset of zero or more, that lies within a limit to both sides.
function shareWithin(offset, limit, wide) {
  if (wide === 0) return offset <= limit ? 1 : 0;
  return Math.max(Math.min(offset + wide / 2, limit) - Math.max(offset - wide / 2, -limit), 0) / wide;
}

function addTo(out, at, draws, from, sd, count) {
  for (let d = 0; d < count; d++) out[at + d] += sd * draws[from + d];
}

// Add what a group misses in each draw. Written out, for it is called some million times.
function addMissed(missed, curve, half, count, a, b, autumn, spring, machine, nx, ny, aside) {
  const [ax, ay] = autumn, [bx, by] = spring, values = curve.values, whole = curve.whole;
  const last = values.length - 1.001, high = (half - curve.first) / GRID_M, low = (-half - curve.first) / GRID_M;
  for (let d = 0; d < count; d++) {
    const shift = (nx * (ax[a + d] + bx[b + d]) + ny * (ay[a + d] + by[b + d]) + aside * machine[d]) / GRID_M;
    const upper = Math.min(Math.max(high - shift, 0), last), lower = Math.min(Math.max(low - shift, 0), last);
    const u = upper | 0, l = lower | 0;
    missed[d] += whole - values[u] - (upper - u) * (values[u + 1] - values[u]) + values[l] + (lower - l) * (values[l + 1] - values[l]);
  }
}

// Standard deviations of a return under one tier with repeatable error R: `core.tier.Tier.spread`.
function spreadOf(source, R) {
  const whole = R / Z95, decay = -Math.expm1(-PASS_TO_PASS_S / source.T);
  let drift = source.P / Z95 / Math.sqrt(2 * decay);
  // Where the pass-to-pass figure asks for more drift than R allows, R rules.
  if (2 * drift ** 2 > whole ** 2) drift = whole / Math.SQRT2;
  const bias = Math.sqrt(Math.max(whole ** 2 - 2 * drift ** 2, 0));
  return { R, bias, drift, more: Math.max(source.start - R, 0), base: source.base };
}

// Percentile of ordered values, between neighbours as numpy has it.
function percentile(ordered, share) {
  const at = share * (ordered.length - 1), low = Math.floor(at), high = Math.min(low + 1, ordered.length - 1);
  return ordered[low] + (at - low) * (ordered[high] - ordered[low]);
}

async function unpack(text) {
  const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return JSON.parse(await new Response(stream).text());
}
