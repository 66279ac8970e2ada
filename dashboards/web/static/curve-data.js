// A curve as numbers: bounded however long the run is, with a break wherever nothing was read. Nothing here draws.

/** More points than this are thinned: a screen has no room for them. */
export const MOST = 4000;
/** A longer silence is left open in the curve. */
export const SILENT_S = 5;

/** Times (s, rising) and values in columns of one length; a value that is not a number is a break. */
export class Track {
  /** `widths`: how many values a time has: 1 for a curve, 2 for a band. */
  constructor(widths = 1, most = MOST) {
    this.most = most;
    this.t = new Float64Array(most);
    this.columns = Array.from({ length: widths }, () => new Float64Array(most));
    this.n = 0;
    this.thinned = false;
  }

  /** Of {t, v} or, a band, of {t, low, high} as the daemon tells them; null values are breaks. */
  static of(body, names = ["v"], shift = 0) {
    const found = new Track(names.length);
    const columns = names.map((name) => body[name]);
    for (let i = 0; i < body.t.length; i += 1) found.add(body.t[i] + shift, ...columns.map((one) => one[i]));
    return found;
  }

  get v() {
    return this.columns[0];
  }

  get first() {
    return this.n ? this.t[0] : 0;
  }

  get last() {
    return this.n ? this.t[this.n - 1] : 0;
  }

  add(t, ...values) {
    if (this.n && t - this.last > SILENT_S) this.put(this.last + 0.001, ...values.map(() => NaN));
    this.put(t, ...values.map((one) => one ?? NaN));
  }

  put(t, ...values) {
    if (this.n === this.most) this.thin();
    this.t[this.n] = t;
    values.forEach((one, place) => (this.columns[place][this.n] = one));
    this.n += 1;
  }

  /** At most half as many: of each step of time the least and the most, and the breaks. Steps are of one length, so the
      oldest part is no coarser than the newest however often this is done. */
  thin() {
    const step = (this.last - this.first) / (this.most / 8) || 1;
    const kept = [];
    let from = 0;
    for (let i = 1; i <= this.n; i += 1) {
      if (i < this.n && Math.floor((this.t[i] - this.first) / step) === Math.floor((this.t[from] - this.first) / step)) continue;
      kept.push(...this.telling(from, i));
      from = i;
    }
    kept.forEach((place, to) => {
      this.t[to] = this.t[place];
      for (const column of this.columns) column[to] = column[place];
    });
    this.n = kept.length;
    this.thinned = true;
  }

  /** The places of a step's break, least and most, in order. */
  telling(from, until) {
    let [least, most, broken] = [-1, -1, -1];
    for (let i = from; i < until; i += 1) {
      if (Number.isNaN(this.v[i])) broken = i;
      else {
        if (least < 0 || this.v[i] < this.v[least]) least = i;
        if (most < 0 || this.columns.at(-1)[i] > this.columns.at(-1)[most]) most = i;
      }
    }
    return [...new Set([least, most, broken].filter((one) => one >= 0))].sort((a, b) => a - b);
  }

  /** The first place at or after a time. */
  place(t) {
    let [low, high] = [0, this.n];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.t[middle] < t) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /** The place that was read nearest to a time; -1 where nothing was read near it. */
  near(t) {
    const after = this.place(t);
    let found = -1;
    for (const one of [after - 1, after]) {
      if (one < 0 || one >= this.n || Number.isNaN(this.v[one])) continue;
      if (found < 0 || Math.abs(this.t[one] - t) < Math.abs(this.t[found] - t)) found = one;
    }
    return found >= 0 && Math.abs(this.t[found] - t) <= SILENT_S ? found : -1;
  }

  at(t) {
    const found = this.near(t);
    return found < 0 ? null : this.v[found];
  }

  /** {least, most, newest}: places of the values between two times; null if there is none. */
  extent(from = -Infinity, to = Infinity) {
    let found = null;
    for (let i = this.place(from); i < this.n && this.t[i] <= to; i += 1) {
      if (Number.isNaN(this.v[i])) continue;
      found ??= { least: i, most: i, newest: i };
      if (this.v[i] < this.v[found.least]) found.least = i;
      if (this.columns.at(-1)[i] > this.columns.at(-1)[found.most]) found.most = i;
      found.newest = i;
    }
    return found;
  }

  /** The same with a finer piece in the place of what is between its ends. */
  with(piece) {
    if (!piece.n) return this;
    const found = new Track(this.columns.length, this.n + piece.n + this.most);
    const take = (track, from, until) => {
      for (let i = from; i < until; i += 1) found.put(track.t[i], ...track.columns.map((one) => one[i]));
    };
    take(this, 0, this.place(piece.first));
    take(piece, 0, piece.n);
    take(this, this.place(piece.last + 1e-9), this.n);
    found.thinned = this.thinned;
    return found;
  }
}

/** Round numbers between two ends, about `wanted` of them. `steps`: what a step may be, times a power of `base`. */
export function ticks(from, to, wanted, steps = [1, 2, 5], base = 10) {
  const rough = (to - from) / Math.max(wanted, 1);
  if (!(rough > 0) || !Number.isFinite(rough)) return [];
  const power = base ** Math.floor(Math.log(rough) / Math.log(base));
  const step = [...steps, base].map((one) => one * power).find((one) => one >= rough * 0.999) ?? base * power;
  const found = [];
  for (let i = Math.ceil(from / step - 1e-9); i * step <= to + 1e-9 * step; i += 1) found.push(Number((i * step).toPrecision(12)));
  return found;
}

/** Round times: 1, 2, 5, 10, 15, 30 s, the same in minutes. */
export const times = (from, to, wanted) => (to - from < 4 ? ticks(from, to, wanted) : ticks(from, to, wanted, [1, 2, 5, 10, 15, 30], 60));
