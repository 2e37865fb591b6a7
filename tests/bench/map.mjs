/* Where things are in the ATmega2560: data addresses, vectors, pins (data sheet, "Register Summary",
 * "Interrupts", "Pin Configurations"). test_board.py compares the addresses and vectors with avr-libc's. */

export const FLASH_WORDS = 0x20000;
export const RAM_START = 0x200;
export const DATA_SIZE = 0x2200;
export const RAM_END = DATA_SIZE - 1;
export const EEPROM_SIZE = 4096;

export const VECTORS = [
  'RESET', 'INT0', 'INT1', 'INT2', 'INT3', 'INT4', 'INT5', 'INT6', 'INT7', 'PCINT0', 'PCINT1', 'PCINT2',
  'WDT', 'TIMER2_COMPA', 'TIMER2_COMPB', 'TIMER2_OVF', 'TIMER1_CAPT', 'TIMER1_COMPA', 'TIMER1_COMPB',
  'TIMER1_COMPC', 'TIMER1_OVF', 'TIMER0_COMPA', 'TIMER0_COMPB', 'TIMER0_OVF', 'SPI_STC', 'USART0_RX',
  'USART0_UDRE', 'USART0_TX', 'ANALOG_COMP', 'ADC', 'EE_READY', 'TIMER3_CAPT', 'TIMER3_COMPA',
  'TIMER3_COMPB', 'TIMER3_COMPC', 'TIMER3_OVF', 'USART1_RX', 'USART1_UDRE', 'USART1_TX', 'TWI',
  'SPM_READY', 'TIMER4_CAPT', 'TIMER4_COMPA', 'TIMER4_COMPB', 'TIMER4_COMPC', 'TIMER4_OVF',
  'TIMER5_CAPT', 'TIMER5_COMPA', 'TIMER5_COMPB', 'TIMER5_COMPC', 'TIMER5_OVF', 'USART2_RX',
  'USART2_UDRE', 'USART2_TX', 'USART3_RX', 'USART3_UDRE', 'USART3_TX',
];

export const vectorOf = (name) => {
  const number = VECTORS.indexOf(name);
  if (number < 0) throw new Error(`no such vector: ${name}`);
  return number;
};

/** Address of PINx; DDRx and PORTx follow it. */
export const PORTS = {
  A: 0x20, B: 0x23, C: 0x26, D: 0x29, E: 0x2c, F: 0x2f, G: 0x32, H: 0x100, J: 0x103, K: 0x106, L: 0x109,
};

export const REGS = {
  TIFR0: 0x35, TIFR1: 0x36, TIFR2: 0x37, TIFR3: 0x38, TIFR4: 0x39, TIFR5: 0x3a, PCIFR: 0x3b, EIFR: 0x3c,
  EIMSK: 0x3d, EECR: 0x3f, EEDR: 0x40, EEARL: 0x41, EEARH: 0x42, GTCCR: 0x43, TCCR0A: 0x44,
  TCCR0B: 0x45, TCNT0: 0x46, OCR0A: 0x47, OCR0B: 0x48, MCUSR: 0x54, MCUCR: 0x55, SPMCSR: 0x57,
  RAMPZ: 0x5b, EIND: 0x5c, SPL: 0x5d, SPH: 0x5e, SREG: 0x5f, WDTCSR: 0x60, PCICR: 0x68, EICRA: 0x69,
  EICRB: 0x6a, PCMSK0: 0x6b, PCMSK1: 0x6c, PCMSK2: 0x6d, TIMSK0: 0x6e, TIMSK1: 0x6f, TIMSK2: 0x70,
  TIMSK3: 0x71, TIMSK4: 0x72, TIMSK5: 0x73, TCCR1A: 0x80, TCCR1B: 0x81, TCCR1C: 0x82, TCNT1L: 0x84,
  ICR1L: 0x86, OCR1AL: 0x88, OCR1BL: 0x8a, OCR1CL: 0x8c, TCCR3A: 0x90, TCCR4A: 0xa0, TCCR2A: 0xb0,
  TCCR2B: 0xb1, TCNT2: 0xb2, OCR2A: 0xb3, OCR2B: 0xb4, UCSR0A: 0xc0, UCSR0B: 0xc1, UCSR0C: 0xc2,
  UBRR0L: 0xc4, UBRR0H: 0xc5, UDR0: 0xc6, UCSR1A: 0xc8, UCSR2A: 0xd0, TCCR5A: 0x120, OCR5BL: 0x12a,
  ICR5L: 0x126, UCSR3A: 0x130,
};

/** 'PB6' → ['B', 6]. */
export function pinOf(name) {
  const port = name[1];
  const bit = Number(name[2]);
  if (!/^P[A-L][0-7]$/.test(name) || !(port in PORTS)) throw new Error(`no such pin: ${name}`);
  return [port, bit];
}

/** Pins that are no output of the timers are left out. */
export const TIMERS = [
  { n: 0, bits: 8, tccr: 0x44, tcnt: 0x46, ocr: [0x47, 0x48], pins: ['PB7', 'PG5'] },
  { n: 1, bits: 16, base: 0x80, pins: ['PB5', 'PB6', 'PB7'] },
  { n: 2, bits: 8, tccr: 0xb0, tcnt: 0xb2, ocr: [0xb3, 0xb4], pins: ['PB4', 'PH6'] },
  { n: 3, bits: 16, base: 0x90, pins: ['PE3', 'PE4', 'PE5'] },
  { n: 4, bits: 16, base: 0xa0, pins: ['PH3', 'PH4', 'PH5'] },
  { n: 5, bits: 16, base: 0x120, pins: ['PL3', 'PL4', 'PL5'] },
];

export const UARTS = [
  { n: 0, base: 0xc0, rx: 'PE0', tx: 'PE1' },
  { n: 1, base: 0xc8, rx: 'PD2', tx: 'PD3' },
  { n: 2, base: 0xd0, rx: 'PH0', tx: 'PH1' },
  { n: 3, base: 0x130, rx: 'PJ0', tx: 'PJ1' },
];
