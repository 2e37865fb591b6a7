/* The wire into a receiver as a level over time, in CPU cycles: idle high.
 *
 * Three tracks of moments at which a thing toggles: the bytes somebody sends, noise (turns the level
 * over) and a pull (holds the line low: a break, a short, a dead adapter). Level = (bytes ^ noise) & !pull.
 * Nothing here knows what a receiver makes of it. */

class Track {
  constructor() {
    this.toggles = [];
  }

  add(from, to) { // toggles at both; a pair that touches or overlaps others is sorted in
    this.toggles.push(from, to);
    const n = this.toggles.length;
    if (n > 2 && this.toggles[n - 3] > from) this.toggles.sort((a, b) => a - b);
  }

  /** How many toggles are at or before `cycle`. */
  count(cycle) {
    const { toggles } = this;
    let low = 0;
    let high = toggles.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (toggles[middle] <= cycle) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  next(cycle) {
    return this.toggles[this.count(cycle)] ?? Infinity;
  }

  forget(cycle) { // an even number, so that the parity of what is left stays right
    const old = this.count(cycle) & ~1;
    if (old > 4096) this.toggles.splice(0, old);
  }
}

export class Line {
  constructor() {
    this.bytes = new Track();
    this.noise = new Track();
    this.pulls = [];
    this.freeAt = 0; // when the sender has finished
  }

  level(cycle) {
    if (this.pulls.some(([from, to]) => from <= cycle && cycle < to)) return 0;
    return 1 ^ (this.bytes.count(cycle) & 1) ^ (this.noise.count(cycle) & 1);
  }

  /** The levels at `from`, `from + step`, ...: `count` of them, into `levels`. */
  sample(from, step, count, levels) {
    if (this.pulls.length) {
      for (let i = 0; i < count; i++) levels[i] = this.level(from + i * step);
      return;
    }
    const bytes = this.bytes.toggles;
    const noise = this.noise.toggles;
    let b = this.bytes.count(from);
    let n = this.noise.count(from);
    for (let i = 0, at = from; i < count; i++, at += step) {
      while (b < bytes.length && bytes[b] <= at) b++;
      while (n < noise.length && noise[n] <= at) n++;
      levels[i] = 1 ^ ((b ^ n) & 1);
    }
  }

  /** The first change of any track after `cycle` (the level need not differ). */
  nextToggle(cycle) {
    let next = Math.min(this.bytes.next(cycle), this.noise.next(cycle));
    for (const [from, to] of this.pulls) {
      if (from > cycle) next = Math.min(next, from);
      else if (to > cycle) next = Math.min(next, to);
    }
    return next;
  }

  /** The first cycle after `cycle` at which the level falls, or Infinity. */
  nextFall(cycle) {
    let level = this.level(cycle);
    for (let at = this.nextToggle(cycle); at !== Infinity; at = this.nextToggle(at)) {
      const now = this.level(at);
      if (level && !now) return at;
      level = now;
    }
    return Infinity;
  }

  /** Bytes back to back, 8N1, the first as soon after `cycle` as the sender is free. → end cycle. */
  send(cycle, bytes, bitCycles, gapCycles = 0) {
    let at = Math.max(cycle, this.freeAt);
    for (const byte of bytes) {
      let level = 1;
      const bits = (byte << 1) | 0x200;
      for (let bit = 0, from = 0; bit < 10; bit++) {
        if (((bits >> bit) & 1) === level) continue;
        level ^= 1;
        if (level === 0) from = Math.round(at + bit * bitCycles);
        else this.bytes.add(from, Math.round(at + bit * bitCycles));
      }
      at += 10 * bitCycles + gapCycles;
    }
    this.freeAt = at;
    return Math.round(at);
  }

  pull(from, to) {
    this.pulls.push([from, to]);
  }

  forget(cycle) {
    this.bytes.forget(cycle);
    this.noise.forget(cycle);
    if (this.pulls.length > 16) this.pulls = this.pulls.filter(([, to]) => to > cycle);
  }

  save() {
    const { bytes, noise, pulls, freeAt } = this;
    return structuredClone({ bytes: bytes.toggles, noise: noise.toggles, pulls, freeAt });
  }

  load(saved) {
    const { bytes, noise, pulls, freeAt } = structuredClone(saved);
    this.bytes.toggles = bytes;
    this.noise.toggles = noise;
    this.pulls = pulls;
    this.freeAt = freeAt;
  }
}
