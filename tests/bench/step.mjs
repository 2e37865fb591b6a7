/* One instruction of the AVR core: avr8js's own avrInstruction, only found faster.
 *
 * avr8js looks an opcode up in a chain of about a hundred comparisons. The chain depends on the opcode
 * alone, so it is asked once for each of the 65,536 opcodes, and the same bodies, word for word, are put
 * under a switch. Two things are corrected here and nowhere else:
 *   - CBI takes two cycles on this chip (instruction set manual, AVRe), avr8js counts one;
 *   - RETI tells the board that an interrupt's service has ended.
 * What avr8js does not model and no compiler uses stays unmodelled: the half-carry flag is not exact.
 * test_board.py runs both over the same random programs. If avr8js changes its form this file refuses
 * to load rather than guess; package-lock.json pins the version. */
import avr8js from 'avr8js';

const CORRECTIONS = {
  CBI: 'cpu.cycles++;',
  RETI: 'cpu.onReti();',
};

/** Cuts avrInstruction into its tests and bodies. */
function branches(source) {
  const found = [];
  const opening = /(?:else )?if \(/y;
  let at = source.indexOf('if ((opcode');
  for (;;) {
    opening.lastIndex = at;
    if (!opening.test(source)) break;
    const testFrom = opening.lastIndex;
    const testTo = closing(source, testFrom - 1, '(', ')');
    const bodyFrom = source.indexOf('{', testTo);
    const bodyTo = closing(source, bodyFrom, '{', '}');
    const body = source.slice(bodyFrom + 1, bodyTo);
    const name = /\/\* ([A-Z]+)/.exec(body)?.[1];
    found.push({ test: source.slice(testFrom, testTo), body, name });
    at = bodyTo + 1;
    while (/\s/.test(source[at])) at++;
  }
  return { found, rest: source.slice(at) };
}

function closing(source, from, open, close) {
  let depth = 0;
  for (let i = from; i < source.length; i++) {
    if (source[i] === open) depth++;
    if (source[i] === close && --depth === 0) return i;
  }
  throw new Error('avr8js has another form than the one step.mjs was written for');
}

/* The big arrays never change for a board: as constants of the function they cost nothing. */
const bound = (body) => body
  .replace(/\bcpu\.(data|dataView|progMem|progBytes)\b/g, '$1')
  .replace(/\bcpu\.pc22Bits\b/g, 'true')
  .replace('const { pc22Bits } = cpu;', 'const pc22Bits = true;');

const REST = 'cpu.pc = (cpu.pc + 1) % cpu.progMem.length;cpu.cycles++;}';

function build() {
  const { found, rest } = branches(avr8js.avrInstruction.toString());
  if (found.length < 90 || rest.replace(/\n\s*/g, '') !== REST) {
    throw new Error('avr8js has another form than the one step.mjs was written for');
  }
  const which = new Function('opcode',
    found.map(({ test }, i) => `if (${test}) return ${i + 1};`).join('\n') + 'return 0;');
  const kinds = new Uint8Array(0x10000);
  for (let opcode = 0; opcode < 0x10000; opcode++) kinds[opcode] = which(opcode);
  for (const name of Object.keys(CORRECTIONS)) {
    if (found.filter((one) => one.name === name).length !== 1) throw new Error(`avr8js: no single ${name}`);
  }
  const cases = found.map(({ body, name }, i) =>
    `case ${i + 1}: {${bound(body)}${CORRECTIONS[name] ?? ''}} break;`);
  const twoWords = `function isTwoWordInstruction(opcode) {
    return (opcode & 0xfe0f) === 0x9000 || (opcode & 0xfe0f) === 0x9200 || (opcode & 0xfe0c) === 0x940c;
  }`;
  const text = `${twoWords}
    const { data, dataView, progMem, progBytes } = cpu;
    return function step() {
      const opcode = progMem[cpu.pc];
      switch (kinds[opcode]) { ${cases.join('\n')} default: cpu.onUnknown(opcode); }
      cpu.pc = (cpu.pc + 1) & 0x1ffff;
      cpu.cycles++;
    };`;
  return { kinds, make: new Function('kinds', 'cpu', text) };
}

const { kinds, make } = build();


/** The function that executes the instruction at cpu.pc, of a chip with 256 KB of flash.
 * The cpu has onReti() and onUnknown(opcode). */
export const makeStep = (cpu) => make(kinds, cpu);
