/* The registers of timers 0 to 5, over the counters of counter.mjs, and the prescaler they share. */
import { Counter, CTC, FAST, NORMAL, OFF } from './counter.mjs';
import { REGS } from './map.mjs';

const DIVIDERS = [0, 1, 8, 64, 256, 1024, -1, -1];
const DIVIDERS_2 = [0, 1, 8, 32, 64, 128, 256, 1024];
// [mode, top]; a top of 'A' is OCRnA, 'I' is ICRn
const MODES_16 = [
  [NORMAL, 0xffff], OFF, OFF, OFF, [CTC, 'A'], [FAST, 0xff], [FAST, 0x1ff], [FAST, 0x3ff],
  OFF, OFF, OFF, OFF, [CTC, 'I'], OFF, [FAST, 'I'], [FAST, 'A'],
];
const MODES_8 = [[NORMAL, 0xff], OFF, [CTC, 'A'], [FAST, 0xff], OFF, OFF, OFF, [FAST, 'A']];

/** The prescaler that timers 0, 1, 3, 4 and 5 share (timer 2 has its own), with its GTCCR bits. */
export class Prescalers {
  constructor(board, timers) {
    this.board = board;
    this.timers = timers;
    board.onWrite(REGS.GTCCR, (value, old, now) => this.write(value, now));
  }

  write(value, now) {
    const hold = (value & 0x80) !== 0;
    for (const timer of this.timers) {
      timer.sync(now);
      const bit = timer.n === 2 ? 2 : 1;
      if (value & bit || timer.held) { // also at the release, the count begins here
        timer.origin = now + 1;
        timer.anchor = now + 1;
      }
      timer.held = hold && (value & bit) !== 0;
      timer.rearm();
    }
    this.board.data[REGS.GTCCR] = hold ? value & 0x83 : 0; // without TSM the bits clear themselves
    return true;
  }
}

export class Timer extends Counter {
  constructor(board, config) {
    super(board, config);
    this.dividers = this.n === 2 ? DIVIDERS_2 : DIVIDERS;
    this.hook(config);
  }

  hook(config) {
    const { board } = this;
    const write = (address, action) => board.onWrite(address, (value, old, now, mask) => {
      this.sync(now);
      const kept = action(value, now, mask);
      this.rearm();
      return kept;
    });
    write(this.tccra, (value) => this.setMode(value, board.data[this.tccrb]));
    write(this.tccrb, (value, now) => {
      const old = board.data[this.tccrb];
      board.data[this.tccrb] = value;
      this.setMode(board.data[this.tccra], value);
      if (!this.wide) this.force(value, now);
      if ((value ^ old) & 7) this.setClock(value & 7, now);
      if (!this.wide) board.data[this.tccrb] &= 0x3f;
      return true;
    });
    write(this.tifr, (value, now, mask) => {
      this.clearFlags(value & mask, now);
      return true;
    });
    write(this.timsk, (value, now) => {
      board.data[this.timsk] = value;
      this.interrupts(now);
      return true;
    });
    board.onRead(this.tifr, (now) => {
      this.sync(now);
      return board.data[this.tifr];
    });
    if (this.wide) {
      write(config.base + 2, (value, now) => {
        this.force(value, now);
        board.data[config.base + 2] = 0;
        return true;
      });
      this.hookWide(config.base, write);
    } else {
      this.hookNarrow(config, write);
    }
  }

  hookNarrow({ tcnt, ocr }, write) {
    this.board.onRead(tcnt, (now) => {
      this.sync(now);
      return this.tcnt;
    });
    write(tcnt, (value) => {
      this.tcnt = value;
      this.blocked = true;
    });
    ocr.forEach((address, x) => write(address, (value) => this.setCompare(x, value)));
  }

  /** A high byte waits in TEMP, which all 16-bit registers of a timer share, for its low byte. */
  hookWide(base, write) {
    const { board } = this;
    const low = (address, get, set, usesTemp) => {
      board.onRead(address, (now) => {
        this.sync(now);
        if (usesTemp) this.temp = get() >> 8;
        return get() & 0xff;
      });
      board.onRead(address + 1, () => (usesTemp ? this.temp : get() >> 8));
      write(address, (value) => set((this.temp << 8) | value));
      board.onWrite(address + 1, (value) => {
        this.temp = value;
        return true;
      });
    };
    low(base + 4, () => this.tcnt, (value) => {
      this.tcnt = value;
      this.blocked = true;
    }, true);
    low(base + 6, () => this.icr, (value) => {
      this.icr = value;
    }, true);
    for (let x = 0; x < 3; x++) {
      const get = () => (this.mode === FAST ? this.buffer : this.ocr)[x];
      low(base + 8 + 2 * x, get, (value) => this.setCompare(x, value), false);
    }
  }

  setCompare(x, value) {
    this.buffer[x] = value;
    if (this.mode !== FAST) this.ocr[x] = value;
  }

  setMode(a, b) {
    const { board } = this;
    board.data[this.tccra] = a;
    this.wgm = this.wide ? (a & 3) | ((b >> 1) & 0xc) : (a & 3) | ((b >> 1) & 4);
    const modes = this.wide ? MODES_16 : MODES_8;
    [this.mode, this.topIs] = modes[this.wgm] || [OFF, this.max];
    for (let x = 0; x < this.units; x++) {
      let com = (a >> (6 - 2 * x)) & 3;
      // COM = 1 toggles OCnA in the modes with their own top, and is reserved elsewhere in PWM
      if (com === 1 && this.mode === FAST && !(x === 0 && this.wgm >= (this.wide ? 14 : 7))) com = 0;
      const connected = com !== 0;
      if (connected !== (this.com[x] !== 0)) {
        board.pins.timerOutput(this.pins[x], connected, this.latch[x], null);
      }
      this.com[x] = com;
    }
    return true;
  }

  setClock(select, now) {
    const divider = this.dividers[select];
    if (divider < 0) this.board.unmodelled(`timer ${this.n} with an external clock`);
    this.divider = divider;
    this.anchor = Math.max(now, this.origin);
  }

  /** FOCnx: a compare match made by hand; no flag, and nothing in a PWM mode. */
  force(value, now) {
    if (this.mode === FAST || this.mode === OFF) return;
    for (let x = 0; x < this.units; x++) if (value & (0x80 >> x)) this.match(x, now);
  }
}
