/* EEPROM and watchdog, with the timed sequences that guard them (data sheet, "EEPROM Data Memory",
 * "Watchdog Timer"). Times of the two are typical values; the watchdog's oscillator is a setting. */
import { EEPROM_SIZE, REGS, vectorOf } from './map.mjs';

const EERIE = 8;
const EEMPE = 4;
const EEPE = 2;
const EERE = 1;

/** What a write takes, by EEPM1:0: erase and write, erase only, write only; in seconds. */
const WRITE_S = [3.4e-3, 1.8e-3, 1.8e-3, 3.4e-3];
const READ_STALL = 4;
const WRITE_STALL = 2;

export class Eeprom {
  constructor(board, content) {
    this.board = board;
    this.bytes = new Uint8Array(EEPROM_SIZE).fill(0xff);
    if (content) this.bytes.set(content.subarray(0, EEPROM_SIZE));
    this.writes = 0;
    this.pending = null; // [address, byte, mode, began]
    this.due = Infinity;
    this.enabledAt = -Infinity;
    board.onWrite(REGS.EECR, (value, old, now) => this.command(value, now));
    board.onRead(REGS.EECR, (now) => {
      const control = board.data[REGS.EECR] & ~EEMPE;
      return this.enabled(now) ? control | EEMPE : control;
    });
  }

  reset() { // a write under way goes on: the supply is there
    this.enabledAt = -Infinity;
    if (this.pending) this.board.data[REGS.EECR] |= EEPE;
  }

  save() {
    const { bytes, writes, pending, due, enabledAt } = this;
    return structuredClone({ bytes, writes, pending, due, enabledAt });
  }

  load(saved) {
    Object.assign(this, structuredClone(saved));
  }

  get address() {
    const { data } = this.board;
    return (data[REGS.EEARL] | (data[REGS.EEARH] << 8)) & (EEPROM_SIZE - 1);
  }

  enabled(now) { // EEMPE is set at the end of a two cycle SBI and holds for four cycles
    return now - this.enabledAt <= 6;
  }

  command(value, now) {
    const { data } = this.board;
    const busy = this.pending !== null;
    const enabled = this.enabled(now);
    let control = (value & 0x38) | (busy ? EEPE : 0);
    if (value & EEPE && enabled && !busy) {
      const mode = (value >> 4) & 3;
      this.pending = [this.address, data[REGS.EEDR], mode, now];
      this.due = now + Math.round(WRITE_S[mode] * this.board.clockHz);
      this.enabledAt = -Infinity;
      this.board.stall(WRITE_STALL);
      this.board.touch();
      control |= EEPE;
    } else if (value & EEMPE) {
      if (!enabled) this.enabledAt = now;
    }
    if (value & EERE && !busy) {
      data[REGS.EEDR] = this.bytes[this.address];
      this.board.stall(READ_STALL);
    }
    data[REGS.EECR] = control;
    this.interrupts(now);
    return true;
  }

  interrupts(now) {
    const on = (this.board.data[REGS.EECR] & EERIE) !== 0 && this.pending === null;
    this.board.interrupt(vectorOf('EE_READY'), on, now);
  }

  fire(at) {
    const [address, byte, mode] = this.pending;
    if (mode === 1) this.bytes[address] = 0xff;
    else this.bytes[address] = mode === 2 ? this.bytes[address] & byte : byte;
    this.writes++;
    this.pending = null;
    this.due = Infinity;
    this.board.data[REGS.EECR] &= ~EEPE;
    this.interrupts(at);
  }

  /** The supply fails: a byte in the first half of its write is found erased, later half written. */
  powerFails(now) {
    if (!this.pending) return;
    const [address, byte, , began] = this.pending;
    const erasing = now - began < (this.due - began) / 2;
    this.bytes[address] = erasing ? 0xff : byte | this.board.random(256);
    this.pending = null;
    this.due = Infinity;
  }
}

const WDIF = 0x80;
const WDIE = 0x40;
const WDCE = 0x10;
const WDE = 0x08;
const WDRF = 0x08;
const WDTON = 0x10; // in the high fuse; programmed = 0

export class Watchdog {
  constructor(board, wdtHz) {
    this.board = board;
    this.wdtHz = wdtHz;
    this.changeUntil = -Infinity;
    this.kicked = 0;
    this.longestGap = 0; // between two WDR
    this.longestAt = 0;
    this.due = Infinity;
    board.onWrite(REGS.WDTCSR, (value, old, now) => this.write(value, now));
    board.onWrite(REGS.MCUSR, (value) => { // flags are cleared by writing zero, never set
      board.data[REGS.MCUSR] &= value;
      this.settle();
      return true;
    });
    board.acknowledge[vectorOf('WDT')] = (now) => {
      board.data[REGS.WDTCSR] &= ~WDIF;
      board.interrupt(vectorOf('WDT'), false, now);
    };
  }

  get always() {
    return (this.board.fuses.high & WDTON) === 0;
  }

  get timeoutCycles() {
    const value = this.board.data[REGS.WDTCSR];
    const scale = Math.min((value & 7) | ((value >> 2) & 8), 9);
    return Math.round((2048 * 2 ** scale * this.board.clockHz) / this.wdtHz);
  }

  reset(now) {
    this.changeUntil = -Infinity;
    this.kicked = now;
    this.settle();
  }

  save() {
    const { changeUntil, kicked, due, longestGap, longestAt } = this;
    return { changeUntil, kicked, due, longestGap, longestAt };
  }

  load(saved) {
    Object.assign(this, saved);
  }

  kick() { // WDR; `due` only moves away, so the board need not be told
    const now = this.board.cpu.cycles;
    if (now - this.kicked > this.longestGap) {
      this.longestGap = now - this.kicked;
      this.longestAt = now;
    }
    this.kicked = now;
    if (this.due !== Infinity) this.due = this.kicked + this.timeoutCycles;
  }

  write(value, now) {
    const { data } = this.board;
    const old = data[REGS.WDTCSR];
    const changing = now <= this.changeUntil;
    let next = old & ~WDCE;
    if (changing) next = (next & ~0x2f) | (value & 0x2f);
    else next |= value & WDE;
    next = (next & ~WDIE) | (value & WDIE);
    if (value & WDIF) next &= ~WDIF;
    if ((value & (WDCE | WDE)) === (WDCE | WDE)) this.changeUntil = now + 5;
    data[REGS.WDTCSR] = next;
    this.settle();
    return true;
  }

  settle() {
    const { data } = this.board;
    if (this.always) data[REGS.WDTCSR] = (data[REGS.WDTCSR] & ~WDIE) | WDE;
    else if (data[REGS.MCUSR] & WDRF) data[REGS.WDTCSR] |= WDE;
    const on = (data[REGS.WDTCSR] & (WDE | WDIE)) !== 0;
    this.due = on ? this.kicked + this.timeoutCycles : Infinity;
    this.board.touch();
  }

  fire(at) {
    const { data } = this.board;
    if (data[REGS.WDTCSR] & WDIE) {
      data[REGS.WDTCSR] |= WDIF;
      if (data[REGS.WDTCSR] & WDE) data[REGS.WDTCSR] &= ~WDIE; // the next time-out resets
      this.kicked = at;
      this.settle();
      this.board.interrupt(vectorOf('WDT'), true, at);
    } else {
      this.board.resetAt('watchdog', at);
    }
  }
}
