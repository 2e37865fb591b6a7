"""What a site cannot do though each key is allowed, and what only the whole can say."""

from __future__ import annotations

import pytest

from bridge.config import parse_config
from bridge.config_check import check_config, config_problems, fitted, quiet_notes
from bridge.config_errors import ConfigError
from tests.site_text import SITE, changed, site, told

# (swaps, the whole line that must be there)
TOGETHER: list[tuple[list[tuple[str, str]], str]] = [
    (
        [("\nmax_on_time_us = 180", "\nmax_on_time_us = 54")],
        'coil[1] (of "Larkspur"): max_on_time_us (54) is below min_on_time_us (55)',
    ),
    (
        [("_rate_hz = 220,", "_rate_hz = 80,")],
        'coil[1] (of "Larkspur"): on_time_curve must have rising break_rate_hz',
    ),
    (
        [("us = 140 }", "us = 54 }")],
        'coil[1] (of "Larkspur"): on_time_curve at 220 Hz: max_on_time_us (54) must lie between '
        "min_on_time_us (55) and max_on_time_us (180)",
    ),
    (
        [("us = 180 }", "us = 181 }")],
        'coil[1] (of "Larkspur"): on_time_curve at 80 Hz: max_on_time_us (181) must lie between '
        "min_on_time_us (55) and max_on_time_us (180)",
    ),
    (
        [("window_ms = 100,", "window_ms = 1000,")],
        'coil[1] (of "Larkspur"): duty_windows has the same window_ms twice',
    ),
    (
        [
            (
                "[{ window_ms = 1000, max_percent = 4 }, {",
                "[{ window_ms = 50, max_percent = 4 }, { window_ms = 60, max_percent = 4 }, {",
            )
        ],
        'coil[1] (of "Larkspur"): duty_windows: the controller keeps its 1000 ms window and two '
        "more; give at most two others",
    ),
    (
        [("lowest = 28", "lowest = 80")],
        'coil[1].notes (of "Larkspur"): highest (74) is below lowest (80)',
    ),
    (
        [('port_pattern = "keyboard|piano"', 'port_pattern = "x"\nvirtual_port = "y"')],
        'input[2] (of "Keyboard"): give exactly one of virtual_port and port_pattern',
    ),
    (
        [('port_pattern = "keyboard|piano"\n', "")],
        'input[2] (of "Keyboard"): give exactly one of virtual_port and port_pattern',
    ),
    (
        [('"keyboard|piano"', '"keyboard("')],
        'input[2] (of "Keyboard"): port_pattern is not a regular expression: missing ), '
        "unterminated subpattern at position 8",
    ),
    (
        [("delay_ms = 60", "delay_ms = 0")],
        'input[1] (of "DAW"): timing = "fixed_delay" needs delay_ms above 0, and "immediate" '
        "needs none",
    ),
    (
        [('timing = "fixed_delay"\n', "")],
        'input[1] (of "DAW"): timing = "fixed_delay" needs delay_ms above 0, and "immediate" '
        "needs none",
    ),
    (
        [("highest_note = 100", "highest_note = 9")],
        "music.routes[1]: highest_note (9) is below lowest_note (10)",
    ),
    (
        [("channels = [1, 2]", "channels = [1, 1]")],
        "music.routes[1]: channels names the same one twice: 1, 1",
    ),
    (
        [('coils = ["Larkspur"]', 'coils = ["Larkspur", "Larkspur"]')],
        'music.routes[1]: coils names the same one twice: "Larkspur", "Larkspur"',
    ),
    (
        [('port = "simulated"', 'port = "/dev/south"')],
        'controller[2] (of "Bench board"): simulated settings need port = "simulated", but port '
        'is "/dev/south"',
    ),
    # references between sections
    (
        [('name = "Bench board"', 'name = "North rack"')],
        'controller[2].name: "North rack" is already the name of controller[1]; each needs its own',
    ),
    (
        [('"c0110001"', '"7A31C002"')],
        'controller[2].board_id: "7a31c002" is already the board_id of controller[1]; each needs '
        "its own",
    ),
    (
        [
            ('port = "simulated"', 'port = "/dev/north"'),
            ("[controller.simulated]\nclock_error_ppm = 100\n", ""),
        ],
        'controller[2].port: "/dev/north" is already the port of controller[1]; each needs its own',
    ),
    (
        [('name = "Foxglove"', 'name = "Larkspur"'), ('"Larkspur", "Foxglove"', '"Larkspur"')],
        'coil[2].name: "Larkspur" is already the name of coil[1]; each needs its own',
    ),
    (
        [('name = "Keyboard"', 'name = "DAW"')],
        'input[2].name: "DAW" is already the name of input[1]; each needs its own',
    ),
    (
        [('port_pattern = "keyboard|piano"', 'virtual_port = "Coilwarden"')],
        'input[2].virtual_port: "Coilwarden" is already the virtual_port of input[1]; each needs '
        "its own",
    ),
    (
        [('controller = "Bench board"', 'controller = "West rack"')],
        'coil[2].controller (of "Foxglove"): there is no controller "West rack"; there are: '
        '"North rack", "Bench board"',
    ),
    (
        [('controller = "Bench board"\noutput = 2', 'controller = "North rack"\noutput = 1')],
        'coil[2].output (of "Foxglove"): output 1 of controller "North rack" is already taken by '
        'coil "Larkspur"',
    ),
    (
        [('controller = "Bench board"', 'controller = "North rack"')],
        'controller[2] (of "Bench board"): no coil names this controller; give it a coil or take '
        "it out",
    ),
    (
        [('coils = ["Larkspur"]', 'coils = ["Thistle"]')],
        'music.routes[1].coils: there is no coil "Thistle"; there are: "Larkspur", "Foxglove"',
    ),
]


@pytest.mark.parametrize(("swaps", "line"), TOGETHER)
def test_values_that_do_not_go_together_are_named(swaps: list[tuple[str, str]], line: str) -> None:
    assert line in [text.strip() for text in told(changed(*swaps)).splitlines()[1:]]


def test_a_coil_whose_limits_leave_no_room_is_refused_with_its_key_path() -> None:
    config = site(("max_percent = 6", "max_percent = 0.01"))
    with pytest.raises(ConfigError) as caught:
        check_config(config, "depot.toml")
    message = str(caught.value)
    assert message.startswith("depot.toml: 1 thing to put right:")
    assert 'coil[1] "Larkspur" duty_windows[2].max_percent: 0.01' in message


def test_an_on_time_without_room_for_the_clocks_tolerance_is_refused() -> None:
    config = site(("max_on_time_us = 150", "max_on_time_us = 50"))
    (problem,) = config_problems(config)
    assert problem.startswith('coil[2] "Foxglove" max_on_time_us: 50 leaves no room')


def test_a_delay_too_short_for_the_farthest_coil_is_refused() -> None:
    config = site(("delay_ms = 60", "delay_ms = 20"))
    (problem,) = config_problems(config)
    assert problem.startswith('input[1].delay_ms (of "DAW"): 20 is too short')
    least = int(problem.rsplit(" ", 1)[1])
    assert config_problems(site(("delay_ms = 60", f"delay_ms = {least}"))) == []
    assert config_problems(site(("delay_ms = 60", f"delay_ms = {least - 1}"))) != []


def test_a_keyboard_beside_a_delayed_input_is_no_fault() -> None:
    assert config_problems(site()) == []


def test_a_live_priority_that_there_is_not_is_named() -> None:
    message = told(changed(("[music]\n", '[music]\nlive_priority = "loudest"\n')))
    wanted = "music.live_priority: must be 'live', 'score' or 'newest' (found 'loudest')"
    assert wanted in message


def test_a_range_whose_highest_note_cannot_be_heard_is_refused_or_fitted() -> None:
    given = site(("highest = 74", "highest = 95"))
    (problem,) = config_problems(given)
    assert 'coil[1] "Larkspur" notes.highest: 95 (1976 Hz)' in problem
    assert "at most 74" in problem
    # Not given, it is the highest note that can be heard.
    found = fitted(site(("highest = 74, ", "")))
    assert found.coil[0].notes.highest == 74
    assert config_problems(found) == []


def test_a_curve_that_silences_low_notes_is_warned_of() -> None:
    # 55 Hz is note 33, 65.4 Hz note 36 (MIDI 1.0 note numbers): flat at breakout up to 55 Hz.
    curve = (
        "{ break_rate_hz = 80, max_on_time_us = 180 },",
        "{ break_rate_hz = 55, max_on_time_us = 55 }, "
        "{ break_rate_hz = 80, max_on_time_us = 180 },",
    )
    assert quiet_notes(site()) == []
    config = site(curve)
    assert config_problems(config) == []  # allowed, and yet:
    (silent,) = (line for line in quiet_notes(config) if "stay silent" in line)
    assert silent.startswith(
        'coil[1] "Larkspur": 6 notes of its range, from 28 to 33 (41 to 55 Hz)'
    )
    assert "on_time_curve" in silent
    (higher,) = quiet_notes(site((curve[0], curve[1].replace("_us = 55", "_us = 57"))))
    assert "from 28 to 33 (41 to 55 Hz), sound loud and soft alike" in higher


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('address = "0.0.0.0"', "token_file, certificate and key"),
        ('address = "192.168.1.7"\ntoken_file = "t"', "token_file, certificate and key"),
        ('address = "192.168.1.7"\ncertificate = "c"\nkey = "k"', "token_file, certificate and"),
        ('address = "::"', "can be reached from other machines"),
        ('address = "depot"', "not an IP address"),
        ('certificate = "c"', "belong together"),
    ],
)
def test_a_panel_that_others_reach_needs_a_token_and_tls(lines: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        parse_config(changed(('address = "127.0.0.1"', lines)), "depot.toml")


def test_a_panel_is_on_loopback_unless_all_is_given() -> None:
    assert parse_config(SITE, "depot.toml").panel.loopback
    given = 'address = "192.168.1.7"\ntoken_file = "t"\ncertificate = "c"\nkey = "k"'
    assert parse_config(changed(('address = "127.0.0.1"', given)), "depot.toml").panel.tls
