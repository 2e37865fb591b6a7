/* The bench as a process: one JSON command a line on stdin, one JSON answer a line on stdout.
 *
 * Time stands still but for `run`: exact and repeatable. After `pace` the board runs in real time, with its
 * USART0 on a TCP port of this machine (127.0.0.1, its number in the answer); all but `run` still works.
 *
 *   node bench.mjs --paced IMAGE [PIN=LEVEL ...]    loads, connects the pins, paces, prints the port
 *
 * Every answer has `ok`; false comes with `error`. Times are CPU cycles. See COMMANDS. */
import readline from 'node:readline';
import { Board } from './board.mjs';
import { readImage } from './image.mjs';
import { VECTORS, vectorOf } from './map.mjs';
import { Pace } from './pace.mjs';
import { Trace } from './trace.mjs';

let board = null;
let pace = null;
const states = new Map();

const now = () => board.cpu.cycles;
const address = (at) => {
  if (typeof at === 'number') return at;
  const [name, plus] = at.split('+');
  if (!(name in board.symbols)) throw new Error(`the image has no symbol ${name}`);
  return board.symbols[name] + Number(plus ?? 0);
};

const COMMANDS = {
  load({ image, fuses, eeprom, clock_hz: clockHz, wdt_hz: wdtHz, seed, startup_cycles: startupCycles }) {
    const content = eeprom ? Uint8Array.from(eeprom) : undefined;
    board = new Board(readImage(image), { fuses, eeprom: content, clockHz, wdtHz, seed, startupCycles });
    return { now: now(), fuses: board.fuses };
  },

  /** stop: {pin, level, after, count} | {vector} | {pc} | {sent} | {reset: true} */
  run({ until, stop = {} }) {
    const conditions = { ...stop };
    if (stop.vector !== undefined) conditions.vector = vectorOf(stop.vector);
    if (stop.pc !== undefined) conditions.pc = address(stop.pc);
    if (pace) throw new Error('paced: the clock runs by itself');
    const stopped = board.run(until, conditions);
    return { now: now(), stopped };
  },

  bytes({ at, data, uart = 0, bit_cycles: bitCycles, gap_cycles: gap = 0 }) {
    const one = board.uarts[uart];
    const end = one.line.send(Math.max(at ?? 0, now()), data, bitCycles ?? board.clockHz / 500000, gap);
    board.lineChanged(uart);
    return { end };
  },

  low({ at, cycles, uart = 0 }) {
    const from = Math.max(at, now());
    board.uarts[uart].line.pull(from, cycles === null ? Infinity : from + cycles);
    board.lineChanged(uart);
    return {};
  },

  /** Turns the line over at each of these pairs [from, to]. */
  noise({ spans, uart = 0 }) {
    for (const [from, to] of spans) board.uarts[uart].line.noise.add(from, to);
    board.lineChanged(uart);
    return {};
  },

  act({ at, act }) {
    const resolved = act[0] === 'poke' ? [act[0], address(act[1]), ...act.slice(2)] : act;
    board.schedule(at ?? now(), resolved);
    return {};
  },

  edges({ take = false }) {
    const { edges } = board.pins;
    if (take) board.pins.edges = [];
    return { edges };
  },

  sent({ uart = 0, take = false }) {
    const one = board.uarts[uart];
    const { sent } = one;
    if (take) one.sent = [];
    return { sent };
  },

  pins({ names }) {
    return { levels: names.map((name) => board.pins.level(name)) };
  },

  peek({ at, count = 1 }) {
    const from = address(at);
    return { bytes: [...board.data.subarray(from, from + count)] };
  },

  /** As the program would, through the registers' actions. */
  poke({ at, bytes }) {
    board.poke(address(at), bytes);
    return {};
  },

  /** As the program would see it: reading can have effects. */
  read({ at }) {
    board.watch.isOff = true;
    const byte = board.cpu.readData(address(at));
    board.watch.isOff = false;
    return { byte };
  },

  eeprom({ set }) {
    if (set) board.eeprom.bytes.set(Uint8Array.from(set.bytes), set.at);
    return { bytes: [...board.eeprom.bytes], writes: board.eeprom.writes };
  },

  symbol({ name }) {
    return { at: address(name) };
  },

  /** Sets every byte of RAM from `at` up to the stack to `byte`, to see later what was never touched. */
  paint({ at, byte }) {
    const top = board.data[0x5d] | (board.data[0x5e] << 8);
    board.data.fill(byte, address(at), top + 1);
    return { to: top + 1 };
  },

  statistics({ reset = false }) {
    const { uarts, watchdog, off, vectors, resets, unknown, statsFrom } = board;
    const answer = {
      now: now(), since: statsFrom, off, vectors, resets, unknown_opcodes: unknown,
      longest_watchdog_gap: watchdog.longestGap,
      uarts: uarts.map((one) => ({
        received: one.received, overruns: one.overruns, framing_errors: one.framingErrors,
        starts_rejected: one.startsRejected, lost_writes: one.lostWrites,
      })),
    };
    if (reset) board.resetStatistics();
    return answer;
  },

  /** What the program did against the write point's invariant (watch.mjs): [cycle, timer, what, pc]. */
  violations({ take = false }) {
    const { found } = board.watch;
    if (take) board.watch.found = [];
    return { found };
  },

  processor() {
    const { cpu, serving, iOn } = board;
    return {
      now: now(), pc: cpu.pc * 2, sp: cpu.SP, sreg: cpu.SREG, interrupts_on: iOn,
      serving: serving.map(([vector]) => VECTORS[vector]),
    };
  },

  /** on: begins to count cycles by address; off: what each function took. */
  profile({ on }) {
    if (on) {
      board.profile = new Float64Array(0x20000);
      return {};
    }
    const starts = Object.entries(board.symbols).filter(([name, at]) => at < 0x40000 && !name.startsWith('.'))
      .map(([name, at]) => [at, name]).sort((a, b) => a[0] - b[0]);
    const cycles = {};
    let i = 0;
    board.profile.forEach((count, word) => {
      while (i + 1 < starts.length && starts[i + 1][0] <= word * 2) i++;
      if (count) cycles[starts[i][1]] = (cycles[starts[i][1]] ?? 0) + count;
    });
    board.profile = null;
    return { cycles };
  },

  /** Notes entries of functions from now on; without any, no more. */
  trace({ functions, read = [] }) {
    board.trace = functions ? new Trace(board, functions, read.map(address)) : null;
    return {};
  },

  traced() {
    return { entries: board.trace.take() };
  },

  save({ name }) {
    states.set(name, board.save());
    return {};
  },

  restore({ name }) {
    if (!states.has(name)) throw new Error(`no state ${name}`);
    board.load(states.get(name));
    return { now: now() };
  },

  async pace({ port = 0 }) {
    pace = new Pace(board, port);
    return { port: await pace.listening, now: now() };
  },

  paced() {
    return { now: now(), ...pace.report() };
  },

  unpace() {
    const report = pace.report();
    pace.close();
    pace = null;
    return { now: now(), ...report };
  },
};

const [flag, image, ...pins] = process.argv.slice(2);
if (flag === '--paced') {
  COMMANDS.load({ image });
  for (const pin of pins) COMMANDS.act({ act: ['pin', pin.split('=')[0], Number(pin.split('=')[1])] });
  process.stdout.write(`${JSON.stringify({ ok: true, ...(await COMMANDS.pace({})) })}\n`);
}

for await (const line of readline.createInterface({ input: process.stdin, crlfDelay: Infinity })) {
  let answer;
  try {
    const { op, ...rest } = JSON.parse(line);
    if (!(op in COMMANDS)) throw new Error(`no such command: ${op}`);
    if (op !== 'load' && !board) throw new Error('no image is loaded');
    answer = { ok: true, ...(await COMMANDS[op](rest)) };
  } catch (error) {
    answer = { ok: false, error: error.message };
  }
  process.stdout.write(`${JSON.stringify(answer)}\n`);
}
process.exit(0);
