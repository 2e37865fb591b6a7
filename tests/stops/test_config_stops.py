"""Sections that do not fit together are told with their place."""

from __future__ import annotations

import pytest

from bridge.config import parse_config
from bridge.config_errors import ConfigError
from tests.site_text import SITE

KEYPAD = '[[stop]]\nname = "Pad"\nkind = "keypad"\nport = "/dev/input/pad"\n'
MQTT = '[mqtt]\nhost = "broker.yard"\nbridge = "north"\nsite = "depot"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            '[[stop]]\nname = "Desk"\nkind = "button_line"\nport = "/dev/north"\n',
            'stop[1].port (of "Desk"): "/dev/north" leads to controller "North rack"',
        ),
        (KEYPAD + KEYPAD, 'stop[2].name: "Pad" is already the name of stop[1]'),
        (
            '[dead_man]\nsource = "midi_controller"\ninput = "Organ"\n',
            'dead_man.input: there is no input "Organ"; there are: "DAW", "Keyboard"',
        ),
        ('[dead_man]\nsource = "midi_controller"\n', "needs input"),
        ('[dead_man]\nsource = "panel"\ninput = "DAW"\n', "needs input, and the others need none"),
        (KEYPAD + '[dead_man]\nsource = "keypad"\nstop = "Desk"\n', 'there is no keypad "Desk"'),
        (MQTT + 'ca_file = "ca.pem"\n', "need tls = true"),
        (MQTT + 'tls = true\ncertificate_file = "c.pem"\n', "go together"),
        (MQTT + 'credentials_file = "c"\n', "would send the password readable by anyone"),
    ],
)
def test_it_is_told(text: str, told: str) -> None:
    with pytest.raises(ConfigError) as raised:
        parse_config(f"{SITE}\n{text}", "depot.toml")
    assert told in str(raised.value)


def test_a_pedal_cannot_be_held_and_stop() -> None:
    text = SITE.replace("delay_ms = 60", "delay_ms = 60\nstop_controller = 64", 1)
    switch = '\n[dead_man]\nsource = "midi_controller"\ninput = "DAW"\n'
    with pytest.raises(ConfigError, match="is the dead man's switch as well"):
        parse_config(text + switch, "depot.toml")
