/* USART, asynchronous, 8N1: a receiver that samples the line as the data sheet describes (a start bit and
 * every bit voted on by the three middle samples), two received bytes deep plus the shift register, and
 * a transmitter whose bytes are recorded. Other frame formats are refused loudly.
 *
 * Data OverRun is set at the start bit that overwrites a byte waiting in the shift register, and is
 * cleared by reading UDRn. A line held low gives one zero byte with a framing error and then nothing
 * until it has been high: the receiver waits for a falling edge. */
import { pinOf, vectorOf } from './map.mjs';
import { Line } from './line.mjs';

const RXC = 0x80;
const TXC = 0x40;
const UDRE = 0x20;
const FE = 0x10;
const DOR = 0x08;
const U2X = 0x02;
const RXEN = 0x10;
const TXEN = 0x08;

const FIELDS = ['fifo', 'waiting', 'overrun', 'phase', 'first', 'searchFrom', 'rxDue', 'txBuffer', 'txBusy',
  'txDue', 'txDone', 'gridOrigin', 'control', 'ubrr', 'fast', 'due', 'overruns', 'framingErrors',
  'startsRejected', 'received', 'sent', 'lostWrites'];

export class Uart {
  constructor(board, { n, base, rx, tx }) {
    this.board = board;
    this.n = n;
    this.txPin = tx;
    [this.rxPort, this.rxBit] = pinOf(rx);
    this.line = new Line();
    this.vectors = ['RX', 'UDRE', 'TX'].map((name) => vectorOf(`USART${n}_${name}`));
    board.acknowledge[this.vectors[2]] = (now) => {
      this.txDone = false;
      this.interrupts(now);
    };
    this.sent = []; // [start cycle, byte, end cycle]
    this.overruns = 0;
    this.framingErrors = 0;
    this.startsRejected = 0;
    this.received = 0;
    this.lostWrites = 0;
    this.samples = new Uint8Array(160);
    this.base = base;
    this.reset(0);
    this.hook(base);
  }

  reset(now) {
    this.fifo = [];
    this.waiting = null;
    this.overrun = false;
    this.phase = 'idle';
    this.first = 0;
    this.searchFrom = now;
    this.rxDue = Infinity;
    this.txBuffer = null;
    this.txBusy = null; // [start, byte]
    this.txDue = Infinity;
    this.txDone = false;
    this.gridOrigin = now;
    this.control = 0;
    this.ubrr = 0;
    this.fast = false;
    this.due = Infinity;
    this.board.data[this.base + 2] = 0x06;
  }

  save() {
    return { ...structuredClone(Object.fromEntries(FIELDS.map((name) => [name, this[name]]))), line: this.line.save() };
  }

  load({ line, ...saved }) {
    Object.assign(this, structuredClone(saved));
    this.line.load(line);
  }

  get sampleCycles() {
    return this.ubrr + 1;
  }

  get samplesPerBit() {
    return this.fast ? 8 : 16;
  }

  get bitCycles() {
    return this.sampleCycles * this.samplesPerBit;
  }

  get middle() { // the last of the three samples that are voted on, counted from 1
    return this.fast ? 6 : 10;
  }

  // --- receiving ---

  /** To be called when the line's future has changed. */
  lineChanged() {
    if (this.phase === 'idle') this.search();
    this.settle();
  }

  search() {
    this.rxDue = Infinity;
    this.phase = 'idle';
    if (!(this.control & RXEN)) return;
    const step = this.sampleCycles;
    let fall = this.searchFrom;
    for (;;) {
      fall = this.line.nextFall(fall);
      if (fall === Infinity) return;
      const first = this.gridOrigin + Math.ceil((fall - this.gridOrigin) / step) * step;
      // what falls and rises between two samples is not seen
      if (this.line.level(first) === 0 && (first - step < this.searchFrom || this.line.level(first - step) === 1)) {
        this.first = first;
        this.phase = 'start';
        this.rxDue = first + (this.middle - 1) * step;
        return;
      }
    }
  }

  vote(bit) { // the majority of the three middle samples, of those in this.samples
    const last = bit * this.samplesPerBit + this.middle - 1;
    const { samples } = this;
    return samples[last] + samples[last - 1] + samples[last - 2] >= 2 ? 1 : 0;
  }

  listen(bits) { // samples from the start bit's first on
    this.line.sample(this.first, this.sampleCycles, bits * this.samplesPerBit, this.samples);
  }

  receive(at) {
    this.searchFrom = at;
    if (this.phase === 'start') {
      this.listen(1);
      if (this.vote(0) === 1) {
        this.startsRejected++;
        this.search();
        return;
      }
      if (this.waiting) {
        this.waiting = null;
        this.overrun = true;
        this.overruns++;
      }
      this.phase = 'frame';
      this.rxDue = this.first + (9 * this.samplesPerBit + this.middle - 1) * this.sampleCycles;
      return;
    }
    this.listen(10);
    let byte = 0;
    for (let bit = 1; bit <= 8; bit++) byte |= this.vote(bit) << (bit - 1);
    const framingError = this.vote(9) === 0;
    if (framingError) this.framingErrors++;
    this.received++;
    const frame = [byte, framingError];
    if (this.fifo.length < 2) this.fifo.push(frame);
    else this.waiting = frame;
    this.interrupts(at);
    if ((this.received & 63) === 0) this.line.forget(at - 2000);
    this.search();
  }

  // --- sending ---

  transmit(at) {
    if (this.txBusy) {
      const [start, byte] = this.txBusy;
      this.sent.push([start, byte, at]);
      this.board.sentByte(this.n, byte, at);
      this.txBusy = null;
    }
    this.txDue = Infinity;
    if (this.txBuffer !== null) {
      this.txBusy = [at, this.txBuffer];
      this.txBuffer = null;
      this.txDue = at + 10 * this.bitCycles;
    } else {
      this.txDone = true;
    }
    this.interrupts(at);
  }

  fire(at) {
    if (this.rxDue <= at) this.receive(at);
    if (this.txDue <= at) this.transmit(at);
    this.settle();
  }

  settle() {
    this.due = Math.min(this.rxDue, this.txDue);
    this.board.touch();
  }

  interrupts(at) {
    const { board, control } = this;
    board.interrupt(this.vectors[0], (control & 0x80) !== 0 && this.fifo.length > 0, at);
    board.interrupt(this.vectors[1], (control & 0x20) !== 0 && this.txBuffer === null, at);
    board.interrupt(this.vectors[2], (control & 0x40) !== 0 && this.txDone, at);
  }

  hook(base) {
    const { board } = this;
    board.onRead(base, () => (this.fifo.length ? RXC : 0) | (this.txDone ? TXC : 0)
      | (this.txBuffer === null ? UDRE : 0) | (this.fifo[0]?.[1] ? FE : 0) | (this.overrun ? DOR : 0)
      | (this.fast ? U2X : 0));
    board.onWrite(base, (value, old, now) => {
      if (value & TXC) this.txDone = false;
      if (value & 1) board.unmodelled(`USART${this.n}: multi-processor mode`);
      this.fast = (value & U2X) !== 0;
      this.interrupts(now);
      return true;
    });
    board.onWrite(base + 1, (value, old, now) => {
      if (value & 4) board.unmodelled(`USART${this.n}: nine data bits`);
      const started = value & ~this.control & RXEN;
      this.control = value;
      board.data[base + 1] = value;
      if (!(value & RXEN)) {
        this.fifo = [];
        this.waiting = null;
        this.overrun = false;
        this.phase = 'idle';
        this.rxDue = Infinity;
      } else if (started) {
        this.searchFrom = now;
        this.search();
      }
      board.pins.uartOutput(this.txPin, (value & TXEN) !== 0);
      this.interrupts(now);
      this.settle();
      return true;
    });
    board.onWrite(base + 2, (value) => {
      if (value !== 0x06) board.unmodelled(`USART${this.n}: frame format 0x${value.toString(16)}`);
    });
    board.onWrite(base + 4, (value, old, now) => {
      this.ubrr = (board.data[base + 5] << 8) | value;
      this.gridOrigin = now;
      if (this.phase === 'idle') this.search();
      this.settle();
    });
    board.onWrite(base + 5, (value) => {
      board.data[base + 5] = value & 0x0f;
      this.ubrr = ((value & 0x0f) << 8) | board.data[base + 4];
      return true;
    });
    board.onRead(base + 6, (now) => {
      const byte = this.fifo.shift()?.[0] ?? 0;
      if (this.waiting && this.fifo.length < 2) {
        this.fifo.push(this.waiting);
        this.waiting = null;
      }
      this.overrun = false;
      this.interrupts(now);
      return byte;
    });
    board.onWrite(base + 6, (value, old, now) => {
      if (!(this.control & TXEN)) return true;
      if (this.txBuffer !== null) { // the data sheet: ignored while UDREn is clear
        this.lostWrites++;
        return true;
      }
      this.txBuffer = value;
      if (!this.txBusy) { // starts with the next bit of the free running rate generator
        const bit = this.bitCycles;
        this.txDue = this.gridOrigin + (Math.floor((now - this.gridOrigin) / bit) + 1) * bit;
      }
      this.interrupts(now);
      this.settle();
      return true;
    });
  }
}
