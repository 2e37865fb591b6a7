/* The interrupts of a simulated board, and what is measured of them: how long each is served and waited for,
 * and how long interrupts are off. `Board` is one of these with all the rest. */
import { bootStart } from './fuses.mjs';
import { DATA_SIZE, REGS, VECTORS } from './map.mjs';

const { SREG } = REGS;
const I = 0x80;
const INTERRUPT_CYCLES = 5;

export class Interrupts {
  resetStatistics() {
    this.statsFrom = this.cpu.cycles;
    this.off = {}; // what turned interrupts off → its longest stretch
    this.vectors = {}; // name → service times
    if (this.watchdog) this.watchdog.longestGap = 0;
  }

  interrupt(vector, on, at) {
    const bit = 1 << (vector & 31);
    const pending = vector < 32 ? this.pending0 : this.pending1;
    if (on === ((pending & bit) !== 0)) return;
    if (on) this.since[vector] = at;
    if (vector < 32) this.pending0 = pending ^ bit;
    else this.pending1 = pending ^ bit;
  }

  next() { // the lowest pending vector that is not held back
    for (const [offset, word] of [[0, this.pending0], [32, this.pending1]]) {
      for (let left = word; left; left &= left - 1) {
        const vector = offset + 31 - Math.clz32(left & -left);
        if (!(this.holds[vector] > this.cpu.cycles)) return vector;
      }
    }
    return -1;
  }

  enter() {
    if (this.masked) return;
    const vector = this.next();
    if (vector < 0) return;
    const { cpu, data } = this;
    const now = cpu.cycles;
    if (this.drops[vector] > 0) { // a planted fault: the flag is taken, nobody comes
      this.drops[vector]--;
      this.acknowledge[vector]?.(now);
      return;
    }
    const stack = data[REGS.SPL] | (data[REGS.SPH] << 8);
    data[stack] = cpu.pc & 0xff;
    data[stack - 1] = cpu.pc >> 8;
    data[stack - 2] = cpu.pc >> 16;
    data[REGS.SPL] = stack - 3;
    data[REGS.SPH] = (stack - 3) >> 8;
    data[SREG] &= ~I;
    this.iOn = false;
    this.offSince = now;
    this.offPc = cpu.pc;
    this.offLabel = VECTORS[vector];
    cpu.cycles += INTERRUPT_CYCLES;
    const own = this.statistics(vector);
    if (now - this.since[vector] > own.longestWait) {
      own.longestWait = now - this.since[vector];
      own.longestWaitAt = now;
    }
    own.lowestStack = Math.min(own.lowestStack, stack - 3);
    this.serving.push([vector, now]);
    cpu.pc = vector * 2 + (data[REGS.MCUCR] & 2 ? bootStart(this.fuses) : 0);
    this.acknowledge[vector]?.(cpu.cycles);
    if (this.stop.vector === vector) this.stopped ??= 'vector';
  }

  statistics(vector) {
    return this.vectors[VECTORS[vector]] ??= {
      count: 0, total: 0, longest: 0, longestAt: 0, longestWait: 0, longestWaitAt: 0, lowestStack: DATA_SIZE,
    };
  }

  served() { // RETI
    const one = this.serving.pop();
    if (!one) return;
    const [vector, from] = one;
    const cycles = this.cpu.cycles + 1 - from; // avr8js counts an instruction's last cycle after this
    const own = this.statistics(vector);
    own.count++;
    own.total += cycles;
    if (cycles > own.longest) {
      own.longest = cycles;
      own.longestAt = from;
    }
  }

  turnedOn() {
    this.iOn = true;
    const cycles = this.cpu.cycles - this.offSince;
    const label = this.offLabel;
    if (!(this.off[label]?.cycles >= cycles)) {
      this.off[label] = { cycles, at: this.offSince, pc: this.offPc * 2 };
    }
  }

  turnedOff(pc) {
    this.iOn = false;
    this.offSince = this.cpu.cycles;
    this.offPc = pc;
    this.offLabel = this.serving.length ? VECTORS[this.serving[this.serving.length - 1][0]] : 'program';
  }
}
