/* Notes every entry of some functions of the program: when, with which registers, and what a pointer among
 * them points at. So a test knows what the program's own core was told, and at which of its ticks.
 *
 * functions: {name: {pointer, count, length}}: `pointer` is the register of a data address; what is noted there
 * is `length` bytes, or as many as the register `count` says. `read`: addresses read at each entry. */

export class Trace {
  constructor(board, functions, read) {
    this.board = board;
    this.read = read;
    this.entries = [];
    this.at = new Map(Object.entries(functions).map(([name, how]) => {
      if (!(name in board.symbols)) throw new Error(`the image has no symbol ${name}`);
      return [board.symbols[name] >> 1, { name, ...how }];
    }));
  }

  look(pc) {
    const how = this.at.get(pc);
    if (!how) return;
    const { cpu, data } = this.board;
    const bytes = [];
    if (how.pointer !== undefined) {
      const from = data[how.pointer] | (data[how.pointer + 1] << 8);
      bytes.push(...data.subarray(from, from + (how.length ?? data[how.count])));
    }
    const read = this.read.map((address) => cpu.readData(address));
    this.entries.push([cpu.cycles, how.name, [...data.subarray(0, 26)], bytes, read]);
  }

  take() {
    const { entries } = this;
    this.entries = [];
    return entries;
  }
}
