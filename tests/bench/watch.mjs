/* Watches the write point: every access of the running program to timers 1, 3, 4 and 5 is held against the
 * invariant that keeps light lawful, and what breaks it is noted. It reads the simulated registers only,
 * and knows nothing of how the program does it:
 *   - 16-bit registers are touched with interrupts off only (TEMP is shared);
 *   - TCNTn is written only while the timer is stopped and disconnected;
 *   - ICRn, OCRnB and the clock are written only while it is disconnected;
 *   - it is connected only with interrupts off, both e-stop inputs closed, its interrupt on, its latch low, on
 *     the way to a bottom that hardware alone will reach: OCRnB below the ceiling and not 0, ICRn above OCRnB
 *     in use and pending by off-time and above TCNTn by a margin;
 *   - A and C are never connected, and B in no other mode but with its pin an input or its latch low.
 * What a test pokes from outside is not the program's doing. */
import { PORTS, REGS, TIMERS, pinOf } from './map.mjs';

const I = 0x80;
const FAST_TOP_ICR = 14;
const MOST_COMPARE = 799; // 400 us
const LEAST_OFF = 200; // 100 us
const LEAST_AHEAD = 2; // ticks from connecting to the start
const SEEN_WITHIN = 16; // cycles from looking at an e-stop input to connecting; its interrupt waits behind
const MOST_KEPT = 20;

export class Watch {
  constructor(board) {
    this.board = board;
    this.found = [];
    this.isOff = false; // while a test itself writes
    for (const timer of board.timers) {
      if (timer.wide) this.watch(timer, TIMERS.find((one) => one.n === timer.n).base);
    }
  }

  note(timer, what) {
    const { cpu } = this.board;
    if (this.found.length < MOST_KEPT) {
      this.found.push([cpu.cycles, `timer ${timer.n}`, what, cpu.pc * 2]);
    }
  }

  watch(timer, base) {
    const { board } = this;
    const { readHooks, writeHooks } = board.cpu;
    const isRead = (address, check) => {
      const inner = readHooks[address];
      readHooks[address] = (...rest) => {
        if (!this.isOff) check();
        return inner(...rest);
      };
    };
    const isWritten = (address, check) => {
      const inner = writeHooks[address];
      writeHooks[address] = (value, ...rest) => {
        if (!this.isOff) check(value);
        return inner(value, ...rest);
      };
    };
    const atomic = () => {
      if (board.data[REGS.SREG] & I) this.note(timer, '16 bits with interrupts on');
    };
    for (let address = base + 4; address < base + 14; address++) {
      isRead(address, atomic);
      isWritten(address, atomic);
    }
    const apart = (what) => () => {
      if (timer.com[1]) this.note(timer, `${what} written while connected`);
    };
    isWritten(base + 4, () => {
      if (timer.com[1] || timer.divider) this.note(timer, 'TCNTn written while it runs or is connected');
    });
    isWritten(base + 6, apart('ICRn'));
    isWritten(base + 10, apart('OCRnB'));
    isWritten(base + 1, apart('TCCRnB'));
    isWritten(base, (value) => this.connected(timer, value));
  }

  /** An e-stop input that has been at this level for longer than a look at it is old. */
  isOpen(pin, level) {
    const { board } = this;
    if (board.pins.level(pin) !== level) return false;
    const last = board.pins.edges.findLast((edge) => edge[1] === pin);
    return !last || board.cpu.cycles - last[0] > SEEN_WITHIN;
  }

  connected(timer, value) {
    const { board } = this;
    if (value & 0xcc) this.note(timer, 'A or C connected');
    if (!(value & 0x30)) return;
    const wgm = (value & 3) | ((board.data[timer.tccrb] >> 1) & 0xc);
    if (wgm !== FAST_TOP_ICR) {
      const [port, bit] = pinOf(timer.pins[1]);
      const drives = (board.data[PORTS[port] + 1] >> bit) & 1;
      if (timer.latch[1] && drives) this.note(timer, 'a latch that is high shows');
      return;
    }
    const count = timer.tcntAt(board.cpu.cycles);
    const compare = Math.max(timer.ocr[1], timer.buffer[1]);
    const bad = [
      [(value & 0x30) !== 0x20, 'connected other than set at bottom, clear on compare'],
      [board.data[REGS.SREG] & I, 'connected with interrupts on'],
      [this.isOpen('PD0', 1) || this.isOpen('PD1', 0), 'connected while an e-stop input is open'],
      [!(board.data[timer.timsk] & 4), 'connected without its interrupt'],
      [timer.latch[1], 'connected with a latch that is high'],
      [timer.buffer[1] < 1 || timer.buffer[1] > MOST_COMPARE, `connected with OCRnB ${timer.buffer[1]}`],
      [timer.icr < compare + LEAST_OFF, `connected with ICRn ${timer.icr}, OCRnB ${compare}`],
      [timer.icr < count + LEAST_AHEAD, `connected with ICRn ${timer.icr}, TCNTn ${count}`],
    ];
    for (const [is, what] of bad) if (is) this.note(timer, what);
  }
}
