/* A simulated ATmega2560 that runs a real image: avr8js's instructions, the parts from this folder.
 *
 * Time is in CPU cycles since the board was built and never falls back, not even at a reset. Parts say
 * when they want to act (`due`); between two such moments only instructions run. A part acts at its own
 * exact cycle, if need be in the middle of an instruction; an instruction sees it if it was over before.
 *
 * Of a data sheet's details these are corrected against avr8js: an interrupt takes five cycles to its
 * vector (three byte program counter), and one more instruction runs after the I flag was set.
 * Not modelled: sleep (runs on), SPM, ADC, SPI, TWI, analogue comparator, JTAG, external memory. */
import avr8js from 'avr8js';
import { ACTS } from './acts.mjs';
import { bootStart, fusesOf, readSpecial, selfProgram, startup } from './fuses.mjs';
import { Interrupts } from './interrupts.mjs';
import { DATA_SIZE, FLASH_WORDS, RAM_END, RAM_START, TIMERS, UARTS, VECTORS, REGS } from './map.mjs';
import { Eeprom, Watchdog } from './memory.mjs';
import { Pins } from './pins.mjs';
import { makeStep } from './step.mjs';
import { Prescalers, Timer } from './timers.mjs';
import { Uart } from './uart.mjs';
import { Watch } from './watch.mjs';

const SREG = REGS.SREG;
const I = 0x80;
const RESET_FLAGS = { power: 1, external: 2, brownout: 4, watchdog: 8 };
const FIELDS = ['wake', 'iOn', 'offSince', 'offPc', 'offLabel', 'off', 'pending0', 'pending1', 'since',
  'serving', 'vectors', 'resets', 'stimuli', 'drops', 'holds', 'masked', 'special', 'seed', 'unknown',
  'statsFrom'];

export class Board extends Interrupts {
  /** options: fuses {low, high, extended, lock}, eeprom (bytes), clockHz, wdtHz, seed, startupCycles. */
  constructor(image, options = {}) {
    super();
    this.clockHz = options.clockHz ?? 16e6;
    this.seed = options.seed ?? 1;
    this.symbols = image.symbols;
    this.fuses = fusesOf(image, options.fuses);
    const words = new Uint16Array(FLASH_WORDS);
    new Uint8Array(words.buffer).set(image.flash);
    this.cpu = new avr8js.CPU(words, DATA_SIZE - 0x100);
    this.data = this.cpu.data;
    // hook tables without holes are found fastest
    this.cpu.readHooks = new Array(0x10000).fill(undefined);
    this.cpu.writeHooks = new Array(0x10000).fill(undefined);
    this.cpu.onReti = () => this.served();
    this.cpu.onUnknown = () => {
      this.unknown++;
    };
    this.step = makeStep(this.cpu);
    this.startupCycles = options.startupCycles ?? startup(this.fuses, this.clockHz);
    this.patches = new Map(); // word address → what belongs there
    this.acknowledge = new Array(VECTORS.length).fill(null);
    this.startFresh();
    this.pins = new Pins(this);
    this.timers = TIMERS.map((config) => new Timer(this, config));
    this.prescalers = new Prescalers(this, this.timers);
    this.uarts = UARTS.map((config) => new Uart(this, config));
    this.eeprom = new Eeprom(this, options.eeprom ?? image.eeprom);
    this.watchdog = new Watchdog(this, options.wdtHz ?? 128000);
    this.cpu.onWatchdogReset = () => this.watchdog.kick();
    this.parts = [this.pins, ...this.timers, ...this.uarts, this.eeprom, this.watchdog];
    this.onWrite(REGS.SPMCSR, (value, old, now) => selfProgram(this, value, now));
    this.watch = new Watch(this);
    this.reset('power', 0);
  }

  startFresh() {
    this.wake = 0;
    this.limit = 0;
    this.stopped = null;
    this.stop = {};
    this.iOn = false;
    this.pending0 = 0;
    this.pending1 = 0;
    this.since = new Float64Array(VECTORS.length);
    this.serving = []; // [vector, entry cycle], innermost last
    this.resets = []; // [cycle, cause]
    this.stimuli = []; // {at, act: [name, ...]}, soonest first
    this.drops = {};
    this.holds = {};
    this.masked = false;
    this.special = null;
    this.unknown = 0;
    this.onSent = null;
    this.offSince = 0;
    this.offPc = 0;
    this.offLabel = 'boot';
    this.resetStatistics();
  }

  random(below) {
    this.seed = (Math.imul(this.seed, 1664525) + 1013904223) >>> 0;
    return Math.floor((this.seed / 2 ** 32) * below);
  }

  unmodelled(what) {
    throw new Error(`not modelled: ${what}`);
  }

  // --- hooks: an access to extended I/O takes place in the second cycle of its instruction ---

  onRead(address, action) {
    const { cpu } = this;
    cpu.readHooks[address] = () => action(cpu.cycles);
  }

  onWrite(address, action) {
    const { cpu } = this;
    const later = address < 0x60 ? 0 : 1;
    cpu.writeHooks[address] = (value, old, at, mask) => action(value, old, cpu.cycles + later, mask);
  }

  /** The processor stands still; the rest goes on. */
  stall(cycles) {
    this.cpu.cycles += cycles;
  }

  touch() {
    this.wake = 0;
  }

  // --- running ---

  /** Runs to `until` or to a stop condition; → what stopped it. */
  run(until, stop = {}) {
    this.limit = until;
    this.stop = { ...stop };
    this.stopped = this.cpu.cycles >= until ? 'cycle' : null;
    this.touch();
    if (stop.pc !== undefined || this.profile || this.trace) this.loopWatched();
    else this.loop();
    return this.stopped;
  }

  loop() {
    const { cpu, data, step } = this;
    while (this.stopped === null) {
      const pc = cpu.pc;
      step();
      if (cpu.cycles >= this.wake) this.attend();
      if (data[SREG] & I) {
        if (this.iOn) {
          if (this.pending0 | this.pending1) this.enter();
        } else this.turnedOn();
      } else if (this.iOn) this.turnedOff(pc);
    }
  }

  loopWatched() { // the same, with a stop at an address, cycles counted by address, entries noted
    const { cpu, data, step, profile, trace } = this;
    while (this.stopped === null) {
      const { pc, cycles } = cpu;
      step();
      if (profile) profile[pc] += cpu.cycles - cycles;
      if (cpu.cycles >= this.wake) this.attend();
      if (data[SREG] & I) {
        if (this.iOn) {
          if (this.pending0 | this.pending1) this.enter();
        } else this.turnedOn();
      } else if (this.iOn) this.turnedOff(pc);
      if (trace) trace.look(cpu.pc);
      if (cpu.pc * 2 === this.stop.pc) this.stopped = 'pc';
    }
  }

  attend() {
    const { cpu, parts } = this;
    for (;;) {
      if (this.pins.dirty) this.pins.flush(cpu.cycles);
      if (this.special) readSpecial(this);
      let due = Infinity;
      let first = null;
      for (let i = 0; i < parts.length; i++) {
        if (parts[i].due < due) {
          due = parts[i].due;
          first = parts[i];
        }
      }
      const stimulus = this.stimuli.length ? this.stimuli[0].at : Infinity;
      if (stimulus <= due && stimulus <= cpu.cycles) {
        this.stimulate(this.stimuli.shift());
      } else if (due <= cpu.cycles) {
        first.fire(due);
      } else {
        this.wake = this.special ? 0 : Math.min(due, stimulus, this.limit);
        break;
      }
    }
    if (cpu.cycles >= this.limit) this.stopped ??= 'cycle';
  }

  // --- what comes from outside, and planted faults ---

  /** Writes as the program would, through the registers' actions; the watch looks away. */
  poke(address, bytes) {
    this.watch.isOff = true;
    bytes.forEach((byte, i) => this.cpu.writeData(address + i, byte));
    this.watch.isOff = false;
  }

  /** act: see acts.mjs. */
  schedule(at, act) {
    if (!(act[0] in ACTS)) throw new Error(`no such act: ${act[0]}`);
    const one = { at: Math.max(at, this.cpu.cycles), act };
    let i = this.stimuli.length;
    while (i > 0 && this.stimuli[i - 1].at > one.at) i--;
    this.stimuli.splice(i, 0, one);
    this.touch();
  }

  stimulate({ at, act: [name, ...rest] }) {
    ACTS[name](this, at, ...rest);
  }

  unpatch() {
    for (const [word, value] of this.patches) this.cpu.progMem[word] = value;
    this.patches.clear();
  }

  edge(pin, level, at) {
    const { stop } = this;
    if (stop.pin !== pin || stop.level !== level || at < (stop.after ?? 0)) return;
    stop.count = (stop.count ?? 1) - 1;
    if (stop.count <= 0) this.stopped ??= 'pin';
  }

  sentByte(uart, byte, at) {
    this.onSent?.(uart, byte, at);
    if (this.stop.sent !== undefined && uart === 0 && --this.stop.sent <= 0) this.stopped ??= 'sent';
  }

  /** The line of `uart` changes in the future. */
  lineChanged(uart) {
    this.uarts[uart].lineChanged();
    this.pins.watchLine(this.cpu.cycles);
  }

  // --- reset ---

  resetAt(cause, at) {
    this.reset(cause, at, 0);
  }

  /** Registers to their reset values, outputs off at `at`; RAM and the 32 working registers are kept. */
  reset(cause, at, holdCycles = 0) {
    const { data, cpu } = this;
    if (!(cause in RESET_FLAGS)) throw new Error(`no such reset: ${cause}`);
    if (cause === 'power' || cause === 'brownout') this.eeprom.powerFails(at);
    const flags = cause === 'power' ? 0 : data[REGS.MCUSR];
    if (cause === 'power') for (let i = 0; i < data.length; i++) data[i] = this.random(256);
    data.fill(0, 0x20, RAM_START);
    data[REGS.MCUSR] = flags | RESET_FLAGS[cause];
    data[REGS.SPL] = RAM_END & 0xff;
    data[REGS.SPH] = RAM_END >> 8;
    this.unpatch();
    this.masked = false;
    this.drops = {};
    this.holds = {};
    this.stimuli = this.stimuli.filter(({ act }) => act[0] !== 'cli');
    this.special = null;
    this.pending0 = 0;
    this.pending1 = 0;
    this.serving = [];
    this.iOn = false;
    const begins = Math.max(cpu.cycles, at + holdCycles + this.startupCycles);
    this.pins.reset(at);
    for (const part of [...this.timers, ...this.uarts, this.eeprom, this.watchdog]) part.reset(begins);
    cpu.cycles = begins;
    cpu.pc = this.fuses.high & 1 ? 0 : bootStart(this.fuses);
    this.offSince = begins;
    this.offPc = cpu.pc;
    this.offLabel = 'boot';
    this.resets.push([at, cause, begins]);
    if (this.stop.reset) this.stopped ??= 'reset';
    this.touch();
  }

  // --- state ---

  save() {
    const { cpu } = this;
    return {
      own: structuredClone(Object.fromEntries(FIELDS.map((name) => [name, this[name]]))),
      data: this.data.slice(), pc: cpu.pc, cycles: cpu.cycles, flash: cpu.progMem.slice(),
      patches: structuredClone(this.patches), parts: this.parts.map((part) => part.save()),
    };
  }

  load(saved) {
    const { cpu } = this;
    Object.assign(this, structuredClone(saved.own));
    this.data.set(saved.data);
    cpu.pc = saved.pc;
    cpu.cycles = saved.cycles;
    cpu.progMem.set(saved.flash);
    this.patches = structuredClone(saved.patches);
    this.parts.forEach((part, i) => part.load(saved.parts[i]));
    this.touch();
  }
}
