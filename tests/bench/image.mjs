/* Reads a program: ELF (with symbols, EEPROM and fuses) or Intel HEX (flash only). */
import { readFileSync } from 'node:fs';

const FLASH_BYTES = 0x40000;
const DATA_OFFSET = 0x800000;
const EEPROM_OFFSET = 0x810000;
const FUSE_OFFSET = 0x820000;
const LOCK_OFFSET = 0x830000;

/** → {flash: Uint8Array, eeprom?, fuses?: [low, high, extended], lock?, symbols: {name: address}}.
 * A symbol's address is a data address for variables and a byte address in flash for functions. */
export function readImage(path) {
  const file = readFileSync(path);
  return file.readUInt32BE(0) === 0x7f454c46 ? readElf(file) : readHex(file.toString('latin1'));
}

function readElf(file) {
  const image = { flash: new Uint8Array(FLASH_BYTES).fill(0xff), symbols: {} };
  const programs = file.readUInt32LE(28);
  const programSize = file.readUInt16LE(42);
  for (let i = 0; i < file.readUInt16LE(44); i++) {
    const at = programs + i * programSize;
    const [type, offset, , address, size] = [0, 4, 8, 12, 16].map((o) => file.readUInt32LE(at + o));
    if (type !== 1 || size === 0) continue;
    const bytes = file.subarray(offset, offset + size);
    if (address + size <= FLASH_BYTES) image.flash.set(bytes, address);
    else if (address >= LOCK_OFFSET) image.lock = bytes[0];
    else if (address >= FUSE_OFFSET) image.fuses = [...bytes];
    else if (address >= EEPROM_OFFSET) image.eeprom = Uint8Array.from(bytes);
    else throw new Error(`the image has a segment at 0x${address.toString(16)}`);
  }
  readSymbols(file, image.symbols);
  return image;
}

function readSymbols(file, symbols) {
  const sections = file.readUInt32LE(32);
  const sectionSize = file.readUInt16LE(46);
  const section = (i) => [4, 16, 20, 24].map((o) => file.readUInt32LE(sections + i * sectionSize + o));
  for (let i = 0; i < file.readUInt16LE(48); i++) {
    const [type, offset, size, link] = section(i);
    if (type !== 2) continue;
    const [, namesOffset] = section(link);
    for (let at = offset; at < offset + size; at += 16) {
      const nameAt = namesOffset + file.readUInt32LE(at);
      // The compiler numbers a function's own statics: their name alone is asked for.
      const name = file.toString('latin1', nameAt, file.indexOf(0, nameAt)).replace(/\.\d+$/, '');
      const value = file.readUInt32LE(at + 4);
      const inSection = file.readUInt16LE(at + 14) !== 0;
      if (name && inSection) symbols[name] = value >= DATA_OFFSET ? value & 0xffff : value;
    }
  }
}

function readHex(text) {
  const image = { flash: new Uint8Array(FLASH_BYTES).fill(0xff), symbols: {} };
  let upper = 0;
  for (const line of text.split(/\s+/)) {
    if (!line) continue;
    if (line[0] !== ':') throw new Error('neither ELF nor Intel HEX');
    const bytes = Buffer.from(line.slice(1), 'hex');
    if (bytes.reduce((a, b) => (a + b) & 0xff, 0) !== 0) throw new Error(`bad checksum: ${line}`);
    const [count, high, low, type] = bytes;
    if (type === 0) image.flash.set(bytes.subarray(4, 4 + count), upper + high * 256 + low);
    if (type === 2) upper = bytes.readUInt16BE(4) * 16;
    if (type === 4) upper = bytes.readUInt16BE(4) * 65536;
  }
  return image;
}
