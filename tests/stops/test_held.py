"""What holds the dead man's switch, and what lets it go: a pedal over MIDI, a page of the panel."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from bridge.clocks import HostS
from bridge.panel.commands import Phase
from bridge.permission_inputs import PermissionInputs
from bridge.stops import page_hold
from bridge.stops.dead_man import RENEW_WITHIN_S
from tests.chain.rig import INPUT
from tests.stops.rig import config


def inputs(folder: Path, **switch: Any) -> PermissionInputs:
    return PermissionInputs(config(folder, dead_man=switch))


@pytest.mark.parametrize(
    ("message", "held"),
    [
        (b"\xb0\x42\x7f", True),
        (b"\xb9\x42\x40", True),
        (b"\xb0\x42\x3f", False),
        (b"\xb0\x42\x00", False),
        (b"\xb0\x79\x00", False),  # Reset All Controllers
        (b"\xb7\x79\x7f", False),
        (b"\xff", False),  # System Reset
        (b"\xb0\x43\x00", True),  # another pedal
        (b"\x90\x42\x00", True),  # a note
        (b"\xb0\x79", True),  # cut off
        (b"", True),
    ],
)
def test_what_a_message_does_to_a_pedal_that_is_held(
    tmp_path: Path, message: bytes, held: bool
) -> None:
    made = inputs(tmp_path, source="midi_controller", input=INPUT, controller=0x42)
    assert made.dead_man is not None
    made.midi(HostS(1.0), INPUT, b"\xb0\x42\x7f")
    made.midi(HostS(2.0), "another input", b"\xb0\x42\x00")
    assert made.dead_man.is_held(HostS(2.0))
    made.midi(HostS(3.0), INPUT, message)
    assert made.dead_man.is_held(HostS(3.0)) is held
    assert made.muted(HostS(3.0)) is not held


class Page:
    """A page that holds, with the clock in hand."""

    def __init__(self, made: PermissionInputs, patch: pytest.MonkeyPatch) -> None:
        self.now_s = 100.0
        self.inputs = made
        patch.setattr(page_hold, "host_now", lambda: HostS(self.now_s))
        self.service = cast(
            Any,
            SimpleNamespace(
                engine=SimpleNamespace(permission_inputs=made),
                hold=lambda held: made.hold(HostS(self.now_s), held),
            ),
        )

    def say(self, after_s: float, phase: Phase | None) -> bool:
        """Whether it is held then."""
        self.now_s += after_s
        assert page_hold.hold_by_page(self.service, "Mara", phase) == ""
        return not self.inputs.muted(HostS(self.now_s))


def test_a_page_holds_while_it_says_so_and_a_late_sign_holds_nothing_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = Page(inputs(tmp_path, source="panel", latch_after_s=1.0), monkeypatch)
    assert not page.say(0.0, "keep"), "nothing was pressed"
    assert page.say(0.1, "begin")
    for _ in range(30):
        assert page.say(RENEW_WITHIN_S * 0.9, "keep")
    assert page.inputs.let_go(HostS(page.now_s)) is None
    assert not page.say(RENEW_WITHIN_S * 1.01, "keep")
    assert not page.say(0.1, "keep")
    assert page.inputs.let_go(HostS(page.now_s + 1.0)) is not None
    assert page.say(0.1, "begin")
    assert not page.say(0.1, "end")
    assert page.say(0.1, "begin")
    assert not page.say(0.1, None)
