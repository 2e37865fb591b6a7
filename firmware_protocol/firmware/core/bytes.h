/* Little-endian numbers in bytes. Used wherever something is packed for the wire or a digest. */
#ifndef CW_BYTES_H
#define CW_BYTES_H

#include <stdint.h>

uint16_t get_u16(const uint8_t *at);
uint32_t get_u32(const uint8_t *at);
void put_u16(uint8_t *at, uint16_t value);
void put_u32(uint8_t *at, uint32_t value);

#endif
