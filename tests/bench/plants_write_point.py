"""Faults of the write point for plant.py: one place of the port each, and the test that saw it when
last looked at.

Not planted, because nothing could ever show it:

- `count = 0` in make_dark: the core's own withdrawal still empties the line whenever it goes dark,
  and in both places a check's fault trips.
- `TCCRnB = B_STOPPED` in halt: the timer is disconnected by the line before, so its pin stays low;
  its compare interrupt, or timers_release from the main loop, stops it soon after.
- `halted &= ~told` become `halted = 0`: an input that opened and closed again within the 20 us
  between looking and releasing would be forgotten; but the other, just told, has then made the core
  dark.
"""

from __future__ import annotations

from typing import NamedTuple


class Plant(NamedTuple):
    """`old` becomes `new`, once, in a file of the port."""

    what: str
    file: str
    old: str
    new: str
    seen_by: str
    """File and test, without `test_image_` and `test_`: tried first."""


_HALT = "    TCCR{}A = A_DISCONNECTED;\n"
_FLOATS = "    *hw->direction = (uint8_t)(*hw->direction & (uint8_t)~hw->pin);\n"
_RANGE = "((uint16_t)(left - LEAST_LEFT) > (MOST_LEFT - LEAST_LEFT))"

WRITE_POINT = (
    Plant(
        "the write point takes any length",
        "timers.c",
        "|| (compare >= CEILING_MAX_ON))",
        ")",
        "faults.py::a_prepared_pulse_that_is_not_lawful_is_never_connected",
    ),
    Plant(
        "the write point takes any top: no off-time",
        "timers.c",
        "(top < LEAST_TOP) || ",
        "",
        "faults.py::a_count_that_changes_while_it_is_written_repeats_nothing",
    ),
    Plant(
        "the write point takes a top at or below the counter",
        "timers.c",
        _RANGE,
        "(left > MOST_LEFT && left < 0x8000U)",
        "faults.py::a_prepared_pulse_that_is_not_lawful_is_never_connected",
    ),
    Plant(
        "the write point takes what lies beyond the horizon",
        "timers.c",
        _RANGE,
        "(left < LEAST_LEFT)",
        "faults.py::a_prepared_pulse_that_is_not_lawful_is_never_connected",
    ),
    Plant(
        "connects whatever the e-stop says",
        "timers.c",
        "    if (!may_connect()) {\n",
        "    if (false) {\n",
        "stops.py::estop_opens_between_two_pulses_of_a_chain",
    ),
    Plant(
        "connects although an input had opened",
        "output.h",
        "(halted == 0U) && ((ESTOP_PINS",
        "((ESTOP_PINS",
        "stops.py::estop_opens_between_two_pulses_of_a_chain",
    ),
    Plant(
        "connects although an input is open",
        "output.h",
        " && ((ESTOP_PINS & ESTOP_BITS) == ESTOP_CLOSED)",
        "",
        "stops.py::estop_whose_interrupt_is_lost",
    ),
    Plant(
        "an e-stop can come between looking and connecting",
        "timers.c",
        "    hw->timer->control_a = A_CONNECTED;",
        '    sei();\n    __asm__ volatile("nop");\n    cli();\n'
        "    hw->timer->control_a = A_CONNECTED;",
        "stops.py::estop_opens_between_two_pulses_of_a_chain",
    ),
    Plant(
        "does not stop the timer between two pulses",
        "output.h",
        "    hw->timer->control_b = B_STOPPED;\n",
        "",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "does not disconnect between two pulses",
        "output.h",
        "    hw->timer->control_a = A_DISCONNECTED;\n    hw->timer->control_b = B_STOPPED;\n",
        "    hw->timer->control_b = B_STOPPED;\n",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "a tick too long",
        "timers.c",
        "compare = (uint16_t)(on - 1U)",
        "compare = on",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "a tick too late",
        "timers.c",
        "+ left) - 1U);",
        "+ left));",
        "pulses.py::onset_of_a_scheduled_note",
    ),
    Plant(
        "OCRnB = 0: a spike",
        "output.h",
        "#define LEAST_ON 2U",
        "#define LEAST_ON 1U",
        "faults.py::an_on_time_in_ram_that_became_too_short_is_no_spike",
    ),
    Plant(
        "the next bottom is near: a wedge repeats the pulse",
        "timers.c",
        "    hw->timer->top = top;\n    return connect(hw);",
        "    hw->timer->top = top;\n    connect(hw);\n    while (hw->timer->count > 0x8000U) {}\n"
        "    hw->timer->top = 2000U;\n    return true;",
        "wedges.py::wedged_at_each_phase",
    ),
    Plant(
        "TCNTn is written while it runs, connected",
        "timers.c",
        "    return connect(hw);\n}\n\n/* The next prepared",
        "    { bool ok = connect(hw); hw->timer->count = hw->timer->count; return ok; }\n}\n\n"
        "/* The next prepared",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "the top is written after connecting",
        "timers.c",
        "    hw->timer->top = top;\n    return connect(hw);",
        "    bool ok = connect(hw);\n    hw->timer->top = top;\n    return ok;",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "an interrupt makes up a pulse when none is prepared",
        "timers.c",
        "    return output->count != 0U;",
        "    if (output->count == 0U) {\n        output->count = 1U;\n"
        "        output->line[output->first].start = (uint16_t)(ticks_now16() + 2000U);\n"
        "        output->line[output->first].compare = 100U;\n    }\n    return true;",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "the compare latch stays high",
        "dark.c",
        "    hw->timer->control_c = C_FORCE;\n",
        "",
        "stops.py::trip_in_mid_pulse_then_armed_again_gives_no_stray_pulse",
    ),
    Plant(
        "the pin shows its latch while that is forced low",
        "dark.c",
        _FLOATS,
        "",
        "stops.py::trip_in_mid_pulse_then_armed_again_gives_no_stray_pulse",
    ),
    Plant(
        "takes pulses back with interrupts on",
        "dark.c",
        "    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)\n    {\n        uint8_t kept = 0U;",
        "    {\n        uint8_t kept = 0U;",
        "line_stops.py::stop_frame",
    ),
    Plant(
        "looks at the counter with interrupts on",
        "dark.c",
        "    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)\n    {\n        started = (uint8_t)(out",
        "    {\n        started = (uint8_t)(out",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    Plant(
        "loads a pulse with interrupts on",
        "timers.c",
        "        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)\n        {\n            uint16_t ahead",
        "        {\n            uint16_t ahead",
        "pulses.py::on_time_is_exact_and_never_longer",
    ),
    *(
        Plant(
            f"timer {n} goes on at an e-stop",
            "timers.c",
            _HALT.format(n),
            "",
            "stops.py::estop_opens_at_every_phase",
        )
        for n in (1, 3, 4, 5)
    ),
)
