/* What may be done to a simulated board at a cycle: from outside, and planted faults.
 *
 * ['pin', name, 0|1|null], ['force', name, 0|1|null], ['pull', name, 0|1], ['reset', cause, hold],
 * ['poke', address, bytes], ['flash', byte address, bytes], ['wedge', where, interrupts], ['cli'], ['mask', on],
 * ['drop', vector, count], ['hold', vector, cycles], ['stall', cycles], ['count', timer, value]. */
import { REGS, VECTORS, vectorOf } from './map.mjs';

const { SREG } = REGS;
const I = 0x80;
const ENDLESS = 0xcfff; // RJMP to itself

/** Until the next reset. */
function patch({ patches, cpu }, word, value) {
  if (!patches.has(word)) patches.set(word, cpu.progMem[word]);
  cpu.progMem[word] = value;
}

function wedge(board, where, interrupts) {
  const { serving, cpu, data } = board;
  const now = serving.length ? VECTORS[serving[serving.length - 1][0]] : 'main';
  const open = where === 'open main' && now === 'main' && (data[SREG] & I);
  if (where !== 'anywhere' && where !== now && !open) { // not there yet
    board.schedule(cpu.cycles + 1, ['wedge', where, interrupts]);
    return;
  }
  patch(board, cpu.pc, ENDLESS);
  if (!interrupts) data[SREG] &= ~I;
}

/** name → what it does to (board, at, ...values). */
export const ACTS = {
  pin: (board, at, name, level) => board.pins.set(name, level, at),
  force: (board, at, name, level) => board.pins.set(name, level, at, true),
  pull: (board, at, name, up) => board.pins.pull(name, up, at),
  reset: (board, at, cause, hold) => board.reset(cause, at, hold ?? 0),
  poke: (board, at, address, bytes) => board.poke(address, bytes),
  flash: (board, at, address, bytes) => board.cpu.progBytes.set(bytes, address),
  wedge: (board, at, where, interrupts) => wedge(board, where ?? 'main', interrupts ?? true),
  /** Until a reset: neither an interrupt's return nor the end of a protected section undoes it for long. */
  cli: (board) => {
    const now = !board.serving.length && (board.data[SREG] & I);
    if (now) board.data[SREG] &= ~I;
    board.schedule(board.cpu.cycles + (now ? 400 : 5), ['cli']);
  },
  mask: (board, at, on) => {
    board.masked = on;
  },
  drop: (board, at, vector, count) => {
    board.drops[vectorOf(vector)] = count ?? 1;
  },
  hold: (board, at, vector, cycles) => {
    board.holds[vectorOf(vector)] = at + cycles;
  },
  stall: (board, at, cycles) => board.stall(cycles),
  count: (board, at, n, value) => board.timers.find((timer) => timer.n === n).disturb(value, at),
};
