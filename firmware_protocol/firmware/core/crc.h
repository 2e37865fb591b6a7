/* The two checksums of the wire. CRC-16 guards frames, CRC-32 is the digest of the limits. */
#ifndef CW_CRC_H
#define CW_CRC_H

#include <stdint.h>

#define CRC16_START 0xFFFFU
#define CRC32_START 0xFFFFFFFFU

/* CRC-16/IBM-3740: polynomial 1021, start FFFF, not reflected, no final xor. One more byte: the eight
 * steps of x^16 + x^12 + x^5 + 1 at once, in bytes, since this is done for each byte received. */
static inline uint16_t crc16_add(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    uint8_t high = (uint8_t)(crc & 0xFFU);
    uint8_t low;

    x = (uint8_t)(x ^ (uint8_t)(x >> 4));
    high = (uint8_t)(high ^ (uint8_t)(x << 4) ^ (uint8_t)(x >> 3));
    low = (uint8_t)(x ^ (uint8_t)(x << 5));
    return (uint16_t)((uint16_t)((uint16_t)high << 8) | low);
}

/* CRC-32 (IEEE 802.3), reflected: start with CRC32_START, add bytes, finish. Slow: not while armed. */
uint32_t crc32_add(uint32_t start, const uint8_t *bytes, uint8_t count);
uint32_t crc32_finish(uint32_t crc);

#endif
