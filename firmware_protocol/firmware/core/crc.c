/* CRC-16/IBM-3740 and CRC-32 (IEEE 802.3) without tables: an AVR would keep those in RAM. */
#include "crc.h"

#define CRC32_POLYNOMIAL 0xEDB88320U

uint16_t crc16_add(uint16_t crc, uint8_t byte)
{
    /* The eight steps of polynomial x^16 + x^12 + x^5 + 1 at once. */
    uint16_t x = (uint16_t)((uint16_t)(crc >> 8) ^ byte);
    x = (uint16_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)(x << 12) ^ (uint16_t)(x << 5) ^ x);
}

uint32_t crc32_add(uint32_t start, const uint8_t *bytes, uint8_t count)
{
    uint32_t crc = start;

    for (uint8_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (uint8_t bit = 0; bit < 8U; bit++) {
            if ((crc & 1U) != 0U) {
                crc = (crc >> 1) ^ CRC32_POLYNOMIAL;
            } else {
                crc >>= 1;
            }
        }
    }
    return crc;
}

uint32_t crc32_finish(uint32_t crc)
{
    return crc ^ 0xFFFFFFFFU;
}
