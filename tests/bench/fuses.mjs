/* Fuses and lock bits of a simulated board: what they say of its start, and how the program reads them. */
import { REGS } from './map.mjs';

const SIGNATURE = { 0: 0x1e, 2: 0x98, 4: 0x01, 1: 0x80 };
const FUSES = { low: 0xf7, high: 0xc7, extended: 0xfc, lock: 0xff };

/** The given ones, else the image's, else FUSES. */
export function fusesOf(image, given) {
  const [low, high, extended] = image.fuses ?? [];
  const found = { low, high, extended, lock: image.lock };
  return { ...FUSES, ...Object.fromEntries(Object.entries(found).filter(([, value]) => value !== undefined)), ...given };
}

export function bootStart(fuses) {
  return [0x1f000, 0x1f800, 0x1fc00, 0x1fe00][(fuses.high >> 1) & 3];
}

/** From the reset to the first instruction, for crystals: 16K clocks and the time SUT1:0 asks for. */
export function startup(fuses, clockHz) {
  const slow = (fuses.low & 0x30) === 0x30;
  return 16384 + 14 + Math.round((slow ? 65e-3 : 4.1e-3) * clockHz);
}

/** A write to SPMCSR. */
export function selfProgram(board, value, now) {
  board.data[REGS.SPMCSR] = value & 0xbf;
  if (!(value & 1)) return true;
  if (value & 0x28) board.special = { fuses: (value & 0x20) === 0, until: now + 5 };
  else board.unmodelled('self-programming');
  board.touch();
  return true;
}

/** Fuses, lock bits and signature: what an LPM within three cycles of SPMCSR reads instead of flash. */
export function readSpecial(board) {
  const { cpu, special, fuses } = board;
  const opcode = cpu.progMem[cpu.pc];
  const isLpm = opcode === 0x95c8 || (opcode & 0xfe0e) === 0x9004;
  if (isLpm && cpu.cycles <= special.until) {
    const z = cpu.dataView.getUint16(30, true);
    const kept = cpu.progBytes[z];
    cpu.progBytes[z] = special.fuses
      ? [fuses.low, fuses.lock, fuses.extended, fuses.high][z] ?? 0xff : SIGNATURE[z] ?? 0xff;
    board.step();
    cpu.progBytes[z] = kept;
  } else if (cpu.cycles <= special.until) {
    return;
  }
  board.special = null;
  board.data[REGS.SPMCSR] &= ~0x29;
}
