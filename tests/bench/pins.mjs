/* Ports A to L, external interrupts INT0..7 and pin change interrupts, with every change of a pin's level
 * recorded as [cycle, name, level].
 *
 * A pin's level is: what is forced on it (a short), else what the chip drives (a timer's latch before the
 * PORT bit), else what is connected outside, else the chip's pull-up, else the board's resistor (down
 * unless set up). What an instruction changes shows at the instruction's end, what a timer changes at its own
 * cycle. PINx reads what was there SYNCHRONISER cycles ago (but for the serial line). Not modelled: that an interrupt of a pin may come
 * up to three cycles later, too. */
import { PORTS, REGS, pinOf, vectorOf } from './map.mjs';

const NAMES = Object.keys(PORTS);
/** Half a cycle to one and a half (data sheet, "Reading the Pin Value"), made whole. */
const SYNCHRONISER = 2;
const PUD = 0x10;
const FIELDS = ['ports', 'edges', 'due', 'seenLine'];
// which pins pin change interrupt group g watches, by bit of PCMSKg
const CHANGE_GROUPS = [
  ['PB0', 'PB1', 'PB2', 'PB3', 'PB4', 'PB5', 'PB6', 'PB7'],
  ['PE0', 'PJ0', 'PJ1', 'PJ2', 'PJ3', 'PJ4', 'PJ5', 'PJ6'],
  ['PK0', 'PK1', 'PK2', 'PK3', 'PK4', 'PK5', 'PK6', 'PK7'],
];
const EXTERNAL = ['PD0', 'PD1', 'PD2', 'PD3', 'PE4', 'PE5', 'PE6', 'PE7'];

export class Pins {
  constructor(board) {
    this.board = board;
    this.due = Infinity; // of the next change of USART0's line, while a pin change interrupt watches it
    this.seenLine = 1;
    this.edges = [];
    this.ports = {};
    this.dirty = false;
    for (const name of NAMES) {
      this.ports[name] = {
        drive: 0, driven: 0, pull: 0, force: 0, forced: 0, timer: 0, latch: 0, uart: 0, level: 0,
        before: 0, changed: 0,
      };
    }
    this.watchers = new Map(); // name → [what to call with (level, at)]
    EXTERNAL.forEach((pin, n) => this.watch(pin, (level, at) => this.external(n, level, at)));
    CHANGE_GROUPS.forEach((group, g) => group.forEach((pin, bit) => {
      if (pin !== 'PE0') this.watch(pin, (level, at) => this.change(g, bit, at));
    }));
    for (let n = 0; n < 8; n++) {
      board.acknowledge[vectorOf(`INT${n}`)] = (now) => this.acknowledge(n, now);
    }
    for (let g = 0; g < 3; g++) {
      board.acknowledge[vectorOf(`PCINT${g}`)] = (now) => {
        board.data[REGS.PCIFR] &= ~(1 << g);
        this.changeInterrupts(now);
      };
    }
    this.hook();
  }

  watch(pin, action) {
    this.watchers.set(pin, [...(this.watchers.get(pin) ?? []), action]);
  }

  reset(now) { // the registers are zero already; outside connections stay
    for (const port of Object.values(this.ports)) {
      port.timer = 0;
      port.latch = 0;
      port.uart = 0;
    }
    this.due = Infinity;
    this.flush(now);
  }

  save() {
    return structuredClone(Object.fromEntries(FIELDS.map((name) => [name, this[name]])));
  }

  load(saved) {
    Object.assign(this, structuredClone(saved));
  }

  // --- levels ---

  flush(at) {
    this.dirty = false;
    for (const name of NAMES) this.resolve(name, at);
  }

  resolve(name, at) {
    const port = this.ports[name];
    const { data } = this.board;
    const address = PORTS[name];
    const direction = data[address + 1] | port.uart;
    const register = data[address + 2];
    const out = (register & ~port.timer) | (port.latch & port.timer) | port.uart;
    const pullUps = data[REGS.MCUCR] & PUD ? 0 : register;
    const input = (port.drive & port.driven) | ((pullUps | port.pull) & ~port.driven);
    const level = (((out & direction) | (input & ~direction)) & ~port.force) | (port.forced & port.force);
    let changed = level ^ port.level;
    if (changed) {
      port.before = this.seen(port, at);
      port.changed = at;
    }
    port.level = level;
    for (let bit = 0; changed; bit++, changed >>= 1) {
      if (!(changed & 1)) continue;
      const pin = `P${name}${bit}`;
      const now = (level >> bit) & 1;
      this.edges.push([at, pin, now]);
      this.board.edge(pin, now, at);
      for (const action of this.watchers.get(pin) ?? []) action(now, at);
    }
  }

  /** What the program reads of a port at `now`. */
  seen(port, now) {
    return now - port.changed < SYNCHRONISER ? port.before : port.level;
  }

  level(pin) {
    const [name, bit] = pinOf(pin);
    return (this.ports[name].level >> bit) & 1;
  }

  /** From outside: level 0, 1 or null (nothing connected). `force`: wins over the chip's own output. */
  set(pin, level, at, force = false) {
    const [name, bit] = pinOf(pin);
    const port = this.ports[name];
    const mask = 1 << bit;
    const [value, on] = force ? ['forced', 'force'] : ['drive', 'driven'];
    port[on] = level === null ? port[on] & ~mask : port[on] | mask;
    port[value] = level ? port[value] | mask : port[value] & ~mask;
    this.resolve(name, at);
  }

  /** The board's resistor on a pin: up (1) or down (0). */
  pull(pin, up, at) {
    const [name, bit] = pinOf(pin);
    const port = this.ports[name];
    port.pull = up ? port.pull | (1 << bit) : port.pull & ~(1 << bit);
    this.resolve(name, at);
  }

  timerOutput(pin, connected, level, at) {
    const [name, bit] = pinOf(pin);
    const port = this.ports[name];
    const mask = 1 << bit;
    port.timer = connected ? port.timer | mask : port.timer & ~mask;
    port.latch = level ? port.latch | mask : port.latch & ~mask;
    if (at === null) this.later();
    else this.resolve(name, at);
  }

  /** A transmitter that is on holds its pin; single bits are not shown, the bytes are recorded. */
  uartOutput(pin, on) {
    const [name, bit] = pinOf(pin);
    const port = this.ports[name];
    port.uart = on ? port.uart | (1 << bit) : port.uart & ~(1 << bit);
    this.later();
  }

  later() {
    this.dirty = true;
    this.board.touch();
  }

  // --- interrupts ---

  sense(n) {
    const { data } = this.board;
    return (data[n < 4 ? REGS.EICRA : REGS.EICRB] >> (2 * (n & 3))) & 3;
  }

  external(n, level, at) {
    const sense = this.sense(n);
    if (sense === 1 || (sense === 2 && !level) || (sense === 3 && level)) {
      this.board.data[REGS.EIFR] |= 1 << n;
    }
    this.externalInterrupts(at);
  }

  externalInterrupts(at) {
    const { data } = this.board;
    for (let n = 0; n < 8; n++) {
      const flag = this.sense(n) === 0 ? !this.level(EXTERNAL[n]) : (data[REGS.EIFR] >> n) & 1;
      this.board.interrupt(n + 1, ((data[REGS.EIMSK] >> n) & 1) !== 0 && Boolean(flag), at);
    }
  }

  acknowledge(n, now) {
    this.board.data[REGS.EIFR] &= ~(1 << n);
    this.externalInterrupts(now); // a low level stays pending
  }

  change(group, bit, at) {
    const { data } = this.board;
    if (!((data[REGS.PCMSK0 + group] >> bit) & 1)) return;
    data[REGS.PCIFR] |= 1 << group;
    this.changeInterrupts(at);
  }

  changeInterrupts(at) {
    const { data } = this.board;
    const pending = data[REGS.PCIFR] & data[REGS.PCICR];
    for (let g = 0; g < 3; g++) this.board.interrupt(vectorOf(`PCINT${g}`), ((pending >> g) & 1) !== 0, at);
  }

  /** USART0's line on PE0 is looked at edge by edge only while PCINT8 is on. */
  fire(at) {
    const level = this.board.uarts[0].line.level(at);
    if (level !== this.seenLine) {
      this.seenLine = level;
      this.change(1, 0, at);
    }
    this.watchLine(at);
  }

  watchLine(now) {
    const on = this.board.data[REGS.PCMSK1] & 1;
    this.due = on ? this.board.uarts[0].line.nextToggle(now) : Infinity;
    this.board.touch();
  }

  hook() {
    const { board } = this;
    for (const name of NAMES) {
      const address = PORTS[name];
      board.onRead(address, (now) => {
        let value = this.seen(this.ports[name], now);
        for (const uart of board.uarts) { // receivers' pins show the line
          if (uart.rxPort !== name || (board.data[address + 1] >> uart.rxBit) & 1) continue;
          value = (value & ~(1 << uart.rxBit)) | (uart.line.level(now) << uart.rxBit);
        }
        return value;
      });
      board.onWrite(address, (value, old, now, mask) => { // a one in PINx turns PORTx over
        board.data[address + 2] ^= value & mask;
        this.later();
        return true;
      });
      board.onWrite(address + 1, () => this.later());
      board.onWrite(address + 2, () => this.later());
    }
    board.onWrite(REGS.EIFR, (value, old, now, mask) => {
      board.data[REGS.EIFR] &= ~(value & mask);
      this.externalInterrupts(now);
      return true;
    });
    board.onWrite(REGS.PCIFR, (value, old, now, mask) => {
      board.data[REGS.PCIFR] &= ~(value & mask);
      this.changeInterrupts(now);
      return true;
    });
    const store = (address, after) => board.onWrite(address, (value, old, now) => {
      board.data[address] = value;
      after(now);
      return true;
    });
    for (const address of [REGS.EIMSK, REGS.EICRA, REGS.EICRB]) {
      store(address, (now) => this.externalInterrupts(now));
    }
    store(REGS.PCICR, (now) => this.changeInterrupts(now));
    store(REGS.PCMSK1, (now) => {
      this.seenLine = board.uarts[0].line.level(now);
      this.watchLine(now);
    });
    board.onWrite(REGS.MCUCR, () => this.later());
  }
}
