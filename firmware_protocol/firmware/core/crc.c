/* CRC-32 (IEEE 802.3) without a table: an AVR would keep it in RAM. */
#include "crc.h"

#define CRC32_POLYNOMIAL 0xEDB88320U

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
