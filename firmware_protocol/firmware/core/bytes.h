/* Little-endian numbers in bytes. Used wherever something is packed for the wire or a digest; inline, for on an
 * AVR a call costs more than what it does. */
#ifndef CW_BYTES_H
#define CW_BYTES_H

#include <stdint.h>

static inline uint16_t get_u16(const uint8_t *at)
{
    return (uint16_t)((uint16_t)at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

static inline uint32_t get_u32(const uint8_t *at)
{
    return (uint32_t)get_u16(at) | ((uint32_t)get_u16(&at[2]) << 16);
}

static inline void put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)(value & 0xFFU);
    at[1] = (uint8_t)(value >> 8);
}

static inline void put_u32(uint8_t *at, uint32_t value)
{
    put_u16(at, (uint16_t)(value & 0xFFFFU));
    put_u16(&at[2], (uint16_t)(value >> 16));
}

#endif
