/* What tests of single parts of the core need: how large their structs are, and what is inline. */
#ifndef CW_PARTS_H
#define CW_PARTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

size_t cw_core_size(void);
size_t cw_guard_size(void);
size_t cw_inputs_size(void);
size_t cw_permission_size(void);
size_t cw_nonces_size(void);
size_t cw_reader_size(void);
size_t cw_window_size(void);

/* core/ticks.h */
bool cw_is_due(uint32_t tick, uint32_t now);
bool cw_is_before(uint32_t tick, uint32_t other);

#endif
