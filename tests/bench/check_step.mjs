/* step.mjs against avr8js's own avrInstruction: every opcode in turn, from random states.
 * Prints {compared, cbi}: how many were equal, and for how many CBI the one corrected cycle was seen. */
import avr8js from 'avr8js';
import { DATA_SIZE, FLASH_WORDS } from './map.mjs';
import { makeStep } from './step.mjs';

let seed = Number(process.argv[2] ?? 1);
const random = (below) => {
  seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0;
  return Math.floor((seed / 2 ** 32) * below);
};

const words = new Uint16Array(FLASH_WORDS).map(() => random(0x10000));
const cpus = [0, 1].map(() => new avr8js.CPU(words.slice(), DATA_SIZE - 0x100));
let retis = 0;
for (const cpu of cpus) {
  cpu.onReti = () => retis++;
  cpu.onUnknown = () => {};
}
const steps = [() => avr8js.avrInstruction(cpus[0]), makeStep(cpus[1])];
const isCbi = (opcode) => (opcode & 0xff00) === 0x9800;
const isReti = (opcode) => opcode === 0x9518;

const memories = Array.from({ length: 16 }, () => new Uint8Array(DATA_SIZE).map(() => random(256)));
let compared = 0;
let cbi = 0;
for (let opcode = 0; opcode < 0x10000; opcode++) {
  const pc = 0x1000 + random(FLASH_WORDS - 0x2000); // away from the ends, where avr8js's modulo goes negative
  const kept = words[pc];
  const state = memories[random(memories.length)];
  for (let i = 0; i < 32; i++) state[i] = random(256);
  state[0x5f] = random(256);
  state[0x5e] = 0x10 + random(8); // a stack inside RAM
  for (const cpu of cpus) {
    cpu.progMem[pc] = opcode;
    cpu.data.set(state);
    cpu.pc = pc;
    cpu.cycles = 0;
  }
  const before = retis;
  steps.forEach((step) => step());
  const [old, own] = cpus;
  const extra = isCbi(opcode) ? 1 : 0;
  const same = old.pc === own.pc && old.cycles + extra === own.cycles
    && Buffer.compare(old.data, own.data) === 0
    && retis - before === (isReti(opcode) ? 1 : 0);
  if (!same) throw new Error(`opcode 0x${opcode.toString(16)} differs`);
  compared++;
  cbi += extra;
  for (const cpu of cpus) cpu.progMem[pc] = kept;
}
console.log(JSON.stringify({ compared, cbi }));
