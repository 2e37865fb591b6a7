/* timers.mjs against avr8js's timer: mode 14, prescaler 8, random lawful periods and on-times, reloaded
 * in mid-period. avr8js clears OC1B one tick earlier than the data sheet: EARLY_TICKS, the only difference.
 * (It also wraps at once where a top is written below the counter, so that is left out.)
 * Prints {pulses, reloads}. */
import avr8js from 'avr8js';
import { TIMERS } from './map.mjs';
import { Timer } from './timers.mjs';

const EARLY_TICKS = 1;
const TICK = 8;

let seed = Number(process.argv[2] ?? 1);
const random = (below) => {
  seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0;
  return Math.floor((seed / 2 ** 32) * below);
};

// theirs
const cpu = new avr8js.CPU(new Uint16Array(0x1000));
const port = new avr8js.AVRIOPort(cpu, avr8js.portBConfig);
new avr8js.AVRTimer(cpu, avr8js.timer1Config); // hooks itself into the cpu
cpu.writeData(0x24, 4);
const theirs = [];
port.addListener((value, old) => {
  if ((value ^ old) & 4) theirs.push([cpu.cycles, (value >> 2) & 1]);
});

// ours, on nothing but its registers
let cycle = 0;
const hooks = {};
const own = [];
const board = {
  data: new Uint8Array(0x2200), acknowledge: [], interrupt() {}, touch() {}, onRead() {},
  onWrite(address, action) { hooks[address] = action; },
  pins: { timerOutput: (pin, connected, level, at) => { if (pin === 'PB6' && at !== null) own.push([at, level]); } },
};
const timer = new Timer(board, TIMERS.find(({ n }) => n === 1));
const write = (address, value) => {
  cpu.writeData(address, value);
  if (!hooks[address](value, 0, cycle, 0xff)) board.data[address] = value;
};
const write16 = (address, value) => {
  write(address + 1, value >> 8);
  write(address, value & 0xff);
};

const ICR1 = 0x86;
const OCR1B = 0x8a;
write16(ICR1, 99);
write16(OCR1B, 20);
write(0x80, 0x22);
cycle = 1;
timer.origin = 2; // avr8js counts from the first cycle it is called in
write(0x81, 0x1a);
let inUse = 20;
let reloadAt = 8;
let reloads = 0;
let ready = true;
while (cycle < 1200000) {
  cycle++;
  cpu.cycles = cycle;
  cpu.tick();
  if (timer.due <= cycle) timer.fire(timer.due);
  if (timer.tcntAt(cycle) === 0) ready = true;
  if (ready && timer.tcntAt(cycle) === reloadAt && cycle % TICK === 3) { // in mid-period, off the ticks
    ready = false; // once a period
    reloads++;
    const top = Math.max(60, inUse + 2) + random(400); // the on-time in use still fits: lawful
    inUse = 1 + random(top - 2);
    write16(ICR1, top);
    write16(OCR1B, inUse);
    reloadAt = 5 + random(40);
  }
}
const shifted = theirs.map(([at, level]) => [level ? at : at + EARLY_TICKS * TICK, level]);
const changes = (edges) => { // both repeat a level now and then: only changes count
  let last = 0;
  const kept = [];
  for (const [at, level] of edges.filter(([when]) => when > 2000)) {
    if (level !== last) kept.push(`${at}:${level}`);
    last = level;
  }
  return kept;
};
const [a, b] = [changes(shifted), changes(own)];
const count = Math.min(a.length, b.length);
if (count < 100 || a.length - b.length > 1) throw new Error(`theirs ${a.length}, ours ${b.length} edges`);
for (let i = 0; i < count; i++) if (a[i] !== b[i]) throw new Error(`edge ${i}: theirs ${a[i]}, ours ${b[i]}`);
console.log(JSON.stringify({ pulses: count >> 1, reloads }));
