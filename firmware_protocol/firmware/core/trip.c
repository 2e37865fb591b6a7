/* Leaving armed, and trips: everything that ends permission to fire passes here. */
#include "catalogue.h"
#include "obey.h"
#include "port.h"

void state_changed(struct core *core)
{
    core->status_due = true;
    port_show_state(permission_state(&core->permission));
}

static void all_dark(void)
{
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        port_dark(output);
    }
}

static void forget_all(struct core *core)
{
    for (uint8_t output = 0U; output < OUTPUTS; output++) {
        coil_go_dark(&core->coils[output], core->now);
    }
    core->session = 0U;
    alarm_clear(&core->leases);
    alarm_clear(&core->fires_at);
    alarm_clear(&core->trips_at);
}

void left_armed(struct core *core)
{
    all_dark();
    (void)permission_move(&core->permission, EVENT_DISARM);
    forget_all(core);
    state_changed(core);
}

void trip(struct core *core, uint8_t cause)
{
    all_dark(); /* first of all: whoever may fire is tripped by any cause, the others are dark */
    if (permission_trip(&core->permission, cause)) {
        forget_all(core);
        state_changed(core);
    }
}
