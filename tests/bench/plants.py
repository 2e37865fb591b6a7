"""Faults for plant.py: of checks, of signs of life, of what must not be late; and all of them."""

from __future__ import annotations

from tests.bench.plants_write_point import WRITE_POINT, Plant

__all__ = ["PLANTS", "Plant"]

CHECKS = (
    Plant(
        "an end that nobody saw is not found",
        "timer_checks.c",
        " &&\n           ((count >= APPROACH) || (count <= (pulse->compare + OVERDUE_TICKS)));",
        ";",
        "wedges.py::lost_interrupt_at_a_pulse_end",
    ),
    Plant(
        "the top is not looked at again",
        "timer_checks.c",
        " && (top >= LEAST_TOP) &&",
        " &&",
        "faults.py::a_top_that_changes_while_lit_is_found",
    ),
    Plant(
        "the compare value is not looked at again",
        "timer_checks.c",
        "(hw->timer->compare == pulse->compare) && (pulse->compare < CEILING_MAX_ON) &&",
        "(pulse->compare < CEILING_MAX_ON) &&",
        "faults.py::a_register_that_changes_by_itself",
    ),
    Plant(
        "the place of the pulse is not looked at again",
        "timer_checks.c",
        "((uint16_t)(off_by + 1U) <= 2U) && ",
        "",
        "wedges.py::the_clock_s_interrupt_lost_once",
    ),
    Plant(
        "the interrupt's mask is not looked at",
        "timer_checks.c",
        " && (*hw->mask == COMPARE_FLAG) &&",
        " &&",
        "faults.py::a_register_that_changes_while_silent",
    ),
    Plant(
        "the pin's direction is not looked at",
        "timer_checks.c",
        "((*hw->direction & hw->pin) != 0U) && ",
        "",
        "faults.py::a_register_that_changes_while_silent",
    ),
    Plant(
        "the waveform mode is not looked at",
        "timer_checks.c",
        "(hw->timer->control_a == a) && ",
        "",
        "faults.py::a_register_that_changes_while_silent",
    ),
    Plant(
        "the prescaler is not looked at",
        "timer_checks.c",
        " && (hw->timer->control_b == b)",
        "",
        "faults.py::a_register_that_changes_by_itself",
    ),
    Plant(
        "a pin that does not follow is not seen",
        "timer_checks.c",
        "    return disagree;",
        "    return false && disagree;",
        "faults.py::a_pin_that_does_not_follow",
    ),
    Plant(
        "a pulse that could not be kept is not told",
        "timers.c",
        "        fault |= may_connect(); /* an opened e-stop input tells of itself */\n",
        "",
        "faults.py::a_prepared_pulse_that_is_not_lawful_is_never_connected",
    ),
)

ALIVE = (
    Plant(
        "the watchdog is kicked whatever is found",
        "main.c",
        "    if (sound) {\n",
        "    {\n",
        "wedges.py::the_stack_reaches_the_variables",
    ),
    Plant(
        "ENABLE goes on whatever is found",
        "main.c",
        "alive_allow(sound && (disagreeing == 0U) && (timers_halted() == 0U));",
        "alive_allow(true);",
        "wedges.py::the_stack_reaches_the_variables",
    ),
    Plant(
        "the clock's interrupt need not come for the watchdog",
        "alive.c",
        "    if (overflows != kicked_at) {",
        "    {",
        "wedges.py::no_interrupt_is_taken_while_silent",
    ),
    Plant(
        "the clock's interrupt need not come for ENABLE",
        "alive.c",
        "} else if (overflows != turned_at) {",
        "} else if (true) {",
        "wedges.py::no_interrupt_is_taken_while_silent",
    ),
    Plant(
        "ENABLE turns once in a turn of the main loop only",
        "main.c",
        "    core_poll_output(&core, now, output);\n    keep_enable();\n",
        "    core_poll_output(&core, now, output);\n",
        "load.py::the_line_full_and_everything_asked_for",
    ),
    Plant(
        "the watchdog bites late",
        "reset.c",
        "wdt_enable(WDTO_15MS);",
        "wdt_enable(WDTO_30MS);",
        "wedges.py::wedged_at_each_phase",
    ),
    Plant(
        "a watchdog reset is taken for an external one",
        "reset.c",
        "        cause = RESET_WATCHDOG;\n",
        "        cause = RESET_EXTERNAL;\n",
        "wedges.py::wedged_at_each_phase",
    ),
)

LATE = (
    Plant(
        "an e-stop interrupt takes its time",
        "timers.c",
        "{\n    halt(INPUT_ESTOP_A);",
        "{\n    __builtin_avr_delay_cycles(250U);\n    halt(INPUT_ESTOP_A);",
        "stops.py::estop_opens_at_every_phase",
    ),
    Plant(
        "nothing comes between a pulse's end and the loading of the next",
        "timers.c",
        f'            sei();{" " * 43}\\\n            __asm__ volatile("nop");{" " * 25}\\\n'
        f"            cli();{' ' * 43}\\\n",
        "",
        "load.py::the_line_full_and_everything_asked_for",
    ),
    Plant(
        "e-stop input B's interrupt is off",
        "levels.c",
        "    EIMSK = (1U << INT0) | (1U << INT1);",
        "    EIMSK = (1U << INT0);",
        "stops.py::estop_opens_at_every_phase",
    ),
    Plant(
        "e-stop input B stops when it closes",
        "levels.c",
        "| (1U << ISC11);",
        "| (1U << ISC11) | (1U << ISC10);",
        "stops.py::estop_opens_at_every_phase",
    ),
    Plant(
        "a stop frame is looked at with interrupts off",
        "timers.c",
        "    sei(); /* looking takes 400 cycles, for which an e-stop cannot wait */\n",
        "",
        "off.py::an_estop_does_not_wait_while_a_stop_frame_is_looked_at",
    ),
    Plant(
        "a stop frame waits for the main loop",
        "timers.c",
        "        halt(HALT_STOP);",
        "        (void)0;",
        "line_stops.py::stop_frame_while_the_main_loop_stands",
    ),
    Plant(
        "a stop frame's CRC is not looked at when it is received",
        "uart.c",
        " && (crc == get_u16(&raw[STOP_RAW - 2U]));",
        ";",
        "line_stops.py::what_is_no_good_stop_frame_stops_nothing",
    ),
    Plant(
        "what comes before a stop frame is not looked at",
        "uart.c",
        "    if (rx_ring[at] != 0U) {",
        "    if (false) {",
        "line_stops.py::what_is_no_good_stop_frame_stops_nothing",
    ),
    Plant(
        "a broken byte leaves no trace for the stop frame",
        "uart.c",
        "        put(NEVER_OF_A_STOP); /* falls in the frame that the error spoils */\n",
        "",
        "line_stops.py::what_is_no_good_stop_frame_stops_nothing",
    ),
    Plant(
        "a stop that was obeyed leaves all dark for ever",
        "main.c",
        "        timers_release(HALT_STOP);",
        "        (void)0;",
        "line_stops.py::a_stop_and_a_reset_in_one_row",
    ),
    Plant(
        "a stop in `tripped` is a fault once it was reset",
        "main.c",
        "        if (permission_may_fire(&core.permission)) {\n            core_fault",
        "        {\n            core_fault",
        "line_stops.py::a_stop_and_a_reset_in_one_row",
    ),
    Plant(
        "skipping what is past has no bound",
        "../core/skip.c",
        "#define MOST_SKIPPED 8U",
        "#define MOST_SKIPPED 64U",
        "line_stops.py::stop_frame",
    ),
    Plant(
        "a break is one from 3 ms on",
        "uart.c",
        "#define BREAK_TICKS (4000U - 60U)",
        "#define BREAK_TICKS (6000U - 60U)",
        "line_stops.py::break_of_two_ms_trips",
    ),
    Plant(
        "a pulse is taken back though it is about to start",
        "output.h",
        "#define LEAST_UNLOAD 12U",
        "#define LEAST_UNLOAD 0U",
        "pulses.py::a_pulse_is_taken_back_whole_or_not_at_all",
    ),
    Plant(
        "a frame for soon takes back what comes before it",
        "dark.c",
        "    return (uint16_t)(pulse->start - from) >= HALF_RANGE16;",
        "    return false;",
        "pulses.py::a_frame_for_soon_leaves_what_comes_before_it_where_it_is",
    ),
    Plant(
        "who is furthest behind comes before who is dry",
        "../core/core.c",
        "            if (is_before(until, now)) {",
        "            if (false) {",
        "fair.py::a_slow_note_beside_three_outputs_of_too_much_misses_one_bang_at_most",
    ),
    Plant(
        "an output's timer is looked at once a round",
        "main.c",
        "    check(output ^ (OUTPUTS / 2U));",
        "    ",
        "faults.py::each_timer_is_looked_at_twice_in_a_round",
    ),
)

PLANTS = (*WRITE_POINT, *CHECKS, *ALIVE, *LATE)
