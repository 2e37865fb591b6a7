/* The core's parts, for tests; see parts.h. Not part of the firmware. */
#include "parts.h"

#include "../core/core.h"
#include "../core/ticks.h"

size_t cw_core_size(void)
{
    return sizeof(struct core);
}

size_t cw_guard_size(void)
{
    return sizeof(struct guard);
}

size_t cw_inputs_size(void)
{
    return sizeof(struct inputs);
}

size_t cw_permission_size(void)
{
    return sizeof(struct permission);
}

size_t cw_nonces_size(void)
{
    return sizeof(struct nonces);
}

size_t cw_reader_size(void)
{
    return sizeof(struct reader);
}

size_t cw_window_size(void)
{
    return sizeof(struct window);
}

bool cw_is_due(uint32_t tick, uint32_t now)
{
    return is_due(tick, now);
}

bool cw_is_before(uint32_t tick, uint32_t other)
{
    return is_before(tick, other);
}
