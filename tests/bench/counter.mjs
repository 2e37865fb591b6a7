/* How timers 0 to 5 count, as the data sheet describes it: normal, CTC and fast PWM modes, exact to the cycle.
 * Their registers: timers.mjs.
 *
 * avr8js's own timer is not used: it is called once a tick (four timers would cost most of the run), and
 * in fast PWM it clears OCnx one tick early, does not set OCnx at BOTTOM and has no compare latch. This
 * model is written from the data sheet; test_board.py holds it against statements of the data sheet and
 * against avr8js's timer, whose one early tick is named there.
 *
 * A tick takes the counter from v to v + 1, or from TOP to 0. At that tick, and not before:
 *   - a compare unit with OCRnx = v matches: its flag is set, its latch set, cleared or toggled;
 *   - leaving TOP: TOVn (fast PWM), ICFn (where ICRn is the top), the buffered OCRnx are taken over, and
 *     in fast PWM the latch is set (COM = 2) or cleared (COM = 3): whatever matches, so OCRnx = TOP is a
 *     constant level.
 * So a fast PWM pulse lasts OCRnx + 1 ticks and a period TOP + 1. ICRn is not buffered: a top written
 * below the counter is missed and the counter runs on to its end.
 *
 * The latch (OCnx register) stays as it is while disconnected; a reset clears it. Where the data sheet is
 * silent the worse case is taken: a counter that wraps at its end counts as BOTTOM too, and buffered values are
 * taken over at a BOTTOM that the counter reaches by counting, not while the timer stands at 0.
 *
 * Not modelled, and refused loudly when the timer counts in it: phase correct modes, external clock,
 * input capture, asynchronous timer 2. */
import { REGS, vectorOf } from './map.mjs';

/** Kinds of waveform modes. */
export const OFF = 0;
export const NORMAL = 1;
export const CTC = 2;
export const FAST = 3;

const ICF = 0x20;
const FIELDS = ['tcnt', 'icr', 'ocr', 'buffer', 'latch', 'com', 'temp', 'anchor', 'divider', 'origin', 'mode', 'topIs', 'blocked', 'wgm', 'due'];

/** One timer's counter, compare units and latches; its registers write to it. */
export class Counter {
  constructor(board, config) {
    this.board = board;
    this.n = config.n;
    this.wide = config.bits === 16;
    this.max = this.wide ? 0xffff : 0xff;
    this.pins = config.pins;
    this.units = config.pins.length;
    const base = this.wide ? config.base : config.tccr;
    this.tccra = base;
    this.tccrb = base + 1;
    this.tifr = REGS.TIFR0 + this.n;
    this.timsk = REGS.TIMSK0 + this.n;
    const letters = 'ABC'.slice(0, this.units).split('');
    this.vectors = [[1, vectorOf(`TIMER${this.n}_OVF`)],
      ...letters.map((letter, x) => [2 << x, vectorOf(`TIMER${this.n}_COMP${letter}`)])];
    if (this.wide) this.vectors.push([ICF, vectorOf(`TIMER${this.n}_CAPT`)]);
    for (const [bit, vector] of this.vectors) {
      board.acknowledge[vector] = (now) => this.clearFlags(bit, now);
    }
    this.reset(0);
  }

  reset(now) {
    this.tcnt = 0;
    this.icr = 0;
    this.ocr = [0, 0, 0];
    this.buffer = [0, 0, 0];
    this.latch = [0, 0, 0];
    this.com = [0, 0, 0];
    this.temp = 0;
    this.anchor = now;
    this.origin = now;
    this.divider = 0;
    this.held = false;
    this.blocked = false;
    this.wgm = 0;
    this.mode = NORMAL;
    this.topIs = this.max;
    this.due = Infinity;
  }

  save() {
    return structuredClone(Object.fromEntries([...FIELDS, 'held'].map((name) => [name, this[name]])));
  }

  load(saved) {
    Object.assign(this, structuredClone(saved));
  }

  get top() {
    if (this.topIs === 'I') return this.icr;
    return this.topIs === 'A' ? this.ocr[0] : this.topIs;
  }

  // --- counting ---

  /** Ticks up to and including `now`. */
  sync(now) {
    if (this.divider === 0 || now <= this.anchor) return;
    const { divider, origin } = this;
    let tick = Math.floor((this.anchor - origin) / divider);
    const last = Math.floor((now - origin) / divider);
    this.anchor = now;
    if (this.held && divider !== 1) return;
    if (last > tick && this.mode === OFF) {
      this.board.unmodelled(`timer ${this.n} counts in waveform mode ${this.wgm}`);
    }
    while (tick < last) {
      const ticks = Math.min(this.ticksToAction(true), last - tick);
      tick += ticks;
      this.tcnt += ticks - 1;
      this.act(tick * divider + origin);
    }
  }

  /** The counter at `now`, without moving anything. */
  tcntAt(now) {
    if (this.divider === 0 || (this.held && this.divider !== 1)) return this.tcnt;
    const ticks = Math.floor((now - this.origin) / this.divider)
      - Math.floor((this.anchor - this.origin) / this.divider);
    return this.tcnt + ticks; // up to the next event, which is where the board calls fire()
  }

  /** Ticks until something may happen; with `all`, also what nobody sees. */
  ticksToAction(all) {
    const { tcnt, top, ocr } = this;
    const mask = all ? 0xff : this.board.data[this.timsk];
    const waveform = this.mode === FAST && (this.com[0] | this.com[1] | this.com[2]) !== 0;
    let ticks = (top >= tcnt ? top : this.max) - tcnt + 1;
    // a wrap must be stopped at even if unseen: what lies behind it is counted from there
    for (let x = 0; x < this.units; x++) {
      if (ocr[x] >= tcnt && (all || waveform || this.com[x] || mask & (2 << x))) {
        ticks = Math.min(ticks, ocr[x] - tcnt + 1);
      }
    }
    return ticks;
  }

  act(at) { // one tick from the present value
    let flags = 0;
    const value = this.tcnt;
    const atTop = value === this.top;
    const wraps = atTop || value === this.max;
    if (!this.blocked) {
      for (let x = 0; x < this.units; x++) {
        if (this.ocr[x] !== value) continue;
        flags |= 2 << x;
        if (!(wraps && this.mode === FAST && this.com[x] !== 1)) this.match(x, at); // BOTTOM decides
      }
    }
    this.blocked = false;
    if (wraps) {
      if (atTop && this.topIs === 'I') flags |= ICF;
      if (this.mode === FAST ? atTop : value === this.max) flags |= 1;
      this.tcnt = 0;
      if (this.mode === FAST) this.bottom(at);
    } else {
      this.tcnt = value + 1;
    }
    if (flags) {
      this.board.data[this.tifr] |= flags;
      this.interrupts(at);
    }
  }

  bottom(at) {
    for (let x = 0; x < this.units; x++) {
      this.ocr[x] = this.buffer[x];
      if (this.com[x] === 2) this.drive(x, 1, at);
      if (this.com[x] === 3) this.drive(x, 0, at);
    }
  }

  match(x, at) {
    const com = this.com[x];
    if (com === 1) this.drive(x, 1 - this.latch[x], at);
    if (com === 2) this.drive(x, 0, at);
    if (com === 3) this.drive(x, 1, at);
  }

  drive(x, level, at) {
    this.latch[x] = level;
    this.board.pins.timerOutput(this.pins[x], true, level, at);
  }

  interrupts(at) {
    const pending = this.board.data[this.tifr] & this.board.data[this.timsk];
    for (const [bit, vector] of this.vectors) this.board.interrupt(vector, (pending & bit) !== 0, at);
  }

  clearFlags(bits, now) {
    this.board.data[this.tifr] &= ~bits;
    this.interrupts(now);
  }

  rearm() {
    if (this.divider === 0 || (this.held && this.divider !== 1)) this.due = Infinity;
    else {
      const tick = Math.floor((this.anchor - this.origin) / this.divider) + this.ticksToAction(false);
      this.due = tick * this.divider + this.origin;
    }
    this.board.touch();
  }

  fire(at) {
    this.sync(at);
    this.rearm();
  }

  /** A planted fault: the counter is another at once, without the registers' TEMP. */
  disturb(value, at) {
    this.sync(at);
    this.tcnt = value;
    this.rearm();
  }
}
