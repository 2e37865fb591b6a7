/* Runs a board in step with the clock on the wall, and carries USART0's bytes to one TCP client. */
import net from 'node:net';

const AHEAD_MS = 2;

export class Pace {
  constructor(board, port) {
    this.board = board;
    this.startCycle = board.cpu.cycles;
    this.startMs = performance.now();
    this.busyMs = 0;
    this.worstLagMs = 0;
    this.client = null;
    this.out = [];
    board.onSent = (uart, byte) => {
      if (uart === 0) this.out.push(byte);
    };
    this.server = net.createServer((client) => this.accept(client));
    this.listening = new Promise((resolve) => {
      this.server.listen(port, '127.0.0.1', () => resolve(this.server.address().port));
    });
    this.timer = setTimeout(() => this.slice(), 0);
  }

  accept(client) {
    this.client?.destroy(); // the newest wins, as when a cable is plugged over
    this.client = client;
    client.setNoDelay(true);
    client.on('readable', () => this.takeIn());
    client.on('error', () => {});
    client.on('close', () => {
      if (this.client === client) this.client = null;
    });
  }

  /** A line carries 50 bytes a millisecond: what is more than AHEAD_MS waits outside. */
  takeIn() {
    const { board } = this;
    const { line } = board.uarts[0];
    const bitCycles = board.clockHz / 500000;
    const aheadBytes = Math.max(0, line.freeAt - board.cpu.cycles) / (10 * bitCycles);
    const room = Math.floor(AHEAD_MS * 50 - aheadBytes);
    const waiting = this.client?.readableLength ?? 0;
    if (room <= 0 || waiting === 0) return;
    line.send(board.cpu.cycles, this.client.read(Math.min(room, waiting)), bitCycles);
    board.lineChanged(0);
  }

  slice() {
    const { board } = this;
    const began = performance.now();
    const target = this.startCycle + ((began - this.startMs) / 1000) * board.clockHz;
    const lagMs = ((target - board.cpu.cycles) / board.clockHz) * 1000;
    this.worstLagMs = Math.max(this.worstLagMs, lagMs);
    board.run(Math.min(Math.floor(target), board.cpu.cycles + board.clockHz / 500)); // ends soon, however late it is
    if (this.out.length && this.client) this.client.write(Buffer.from(this.out));
    this.out = [];
    board.pins.edges.splice(0, Math.max(0, board.pins.edges.length - 100000));
    board.uarts[0].sent.splice(0, Math.max(0, board.uarts[0].sent.length - 100000));
    this.takeIn();
    this.busyMs += performance.now() - began;
    this.timer = lagMs > 1 ? setImmediate(() => this.slice()) : setTimeout(() => this.slice(), 1);
  }

  report() {
    const { board } = this;
    const cycles = board.cpu.cycles - this.startCycle;
    const lag = ((performance.now() - this.startMs) / 1000) * board.clockHz - cycles;
    return {
      times_real_time: (cycles / board.clockHz) * 1000 / this.busyMs,
      lag_ms: (lag / board.clockHz) * 1000, worst_lag_ms: this.worstLagMs,
    };
  }

  close() {
    clearTimeout(this.timer);
    clearImmediate(this.timer);
    this.client?.destroy();
    this.server.close();
    this.board.onSent = null;
  }
}
