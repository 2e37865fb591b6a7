"""What commands of the panel do to the site, and that they cannot do more."""

from __future__ import annotations

from typing import Any, cast

import pytest

from bridge.engine import Act, Engine
from bridge.interlock import Cause, Latch, State
from bridge.music.instrument import Instrument
from bridge.panel import commands as c
from bridge.panel import desk as desk_module
from bridge.panel.desk import Desk
from bridge.service import Service
from bridge.stage import Stage
from tests.site_text import site


class FakeService:
    def __init__(self) -> None:
        self.config = site()
        self.stage = Stage(self.config, Instrument(self.config))
        self.engine = Engine(self.config, self.stage, Latch())
        self.told: list[Any] = []

    def stop(self, cause: Cause, detail: str = "", by: str = "") -> None:
        self.told.append((cause, by))
        self.engine.trip(1.0, cause, "", detail)

    def act(self, act: Act, by: str = "") -> None:
        self.told.append((act, by))

    def source_changed(self) -> None:
        self.told.append("source")


@pytest.fixture
def ready(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The arming list: what stands on it stands open."""
    conditions: list[str] = []
    monkeypatch.setattr(desk_module, "open_conditions", lambda engine, now_s: tuple(conditions))
    return conditions


def desk(**more: Any) -> tuple[Desk, FakeService, list[str]]:
    service, lines = FakeService(), list[str]()
    return Desk(cast(Service, service), service.stage, lines.append, **more), service, lines


def arm(phase: c.Phase) -> c.Arm:
    return c.Arm(do="arm", phase=phase)


def hold(one: Desk, seat: int, who: str, *, start_s: float = 10.0, for_s: float = 2.0) -> list[str]:
    said = [one.do(start_s, seat, who, arm("begin"))]
    for n in range(round(for_s / 0.1)):
        said.append(one.do(start_s + (n + 1) * 0.1, seat, who, arm("keep")))
    return said


def test_a_hold_arms_by_name(ready: list[str]) -> None:
    one, service, lines = desk()
    assert set(hold(one, 1, "Mara")) == {""}
    assert service.told == [(Act.ARM, "panel Mara")]
    assert lines == ["panel, Mara: arm"]


def test_an_open_condition_keeps_it_from_beginning(ready: list[str]) -> None:
    ready.append("Rack: key: off. Turn the key on.")
    one, service, _ = desk()
    said = hold(one, 1, "Mara")
    assert "Turn the key on." in said[0]
    assert "not safe to approach" in said[0]
    assert service.told == []


def test_a_condition_that_opens_meanwhile_ends_it(ready: list[str]) -> None:
    one, service, _ = desk()
    hold(one, 1, "Mara", for_s=1.0)
    ready.append("Rack: key: off. Turn the key on.")
    assert "key" in one.do(11.1, 1, "Mara", arm("keep"))
    ready.clear()
    for n in range(30):
        one.do(11.2 + n * 0.1, 1, "Mara", arm("keep"))
    assert service.told == []


def test_a_page_that_goes_away_ends_it(ready: list[str]) -> None:
    one, service, _ = desk()
    hold(one, 1, "Mara", for_s=1.4)
    one.gone(11.45, 1)
    one.do(11.5, 1, "Mara", arm("keep"))
    one.do(11.6, 1, "Mara", arm("keep"))
    assert service.told == []


def test_a_stop_ends_a_hold(ready: list[str]) -> None:
    one, service, lines = desk()
    hold(one, 1, "Mara", for_s=1.4)
    one.stop("viewer at 10.0.0.9")
    one.do(11.5, 1, "Mara", arm("keep"))
    assert service.told == [(Cause.OPERATOR_STOP, "panel viewer at 10.0.0.9")]
    assert service.engine.interlock.state is State.TRIPPED
    assert lines == ["panel, viewer at 10.0.0.9: stop"]


def test_a_reset_soon_after_a_stop_revives_no_hold(ready: list[str]) -> None:
    one, service, _ = desk()
    hold(one, 1, "Mara", for_s=1.4)
    one.stop("Ilse")
    service.engine.interlock.reset(no_cause_lasts=True)
    one.do(11.5, 1, "Mara", arm("keep"))
    assert service.told == [(Cause.OPERATOR_STOP, "panel Ilse")]


def test_the_other_operator_sees_who_holds(ready: list[str]) -> None:
    one, service, _ = desk()
    hold(one, 1, "Mara", for_s=0.5)
    assert one.shown(10.5)["arming_by"] == "Mara"
    assert 0 < one.shown(10.5)["arming_progress"] < 1
    assert "Mara is arming" in one.do(10.5, 2, "Ilse", arm("begin"))
    assert service.told == []


def test_bangs_fire_only_while_armed_and_for_one_person() -> None:
    one, service, _ = desk()
    begin = c.Rate(do="rate", coil="Larkspur", phase="begin")
    keep = c.Rate(do="rate", coil="Larkspur", phase="keep")
    assert "only while armed" in one.do(1.0, 1, "Mara", begin)
    service.engine.interlock.arm(True)
    service.engine.interlock.confirmed()
    assert one.do(1.0, 1, "Mara", begin) == ""
    assert "Mara fires Larkspur" in one.do(1.1, 2, "Ilse", begin)
    assert "Mara fires Larkspur" in one.do(1.1, 2, "Ilse", c.Bang(do="bang", coil="Larkspur"))
    assert service.stage.bangs["Larkspur"].sounding
    one.gone(1.2, 1)
    assert not service.stage.bangs["Larkspur"].sounding
    assert one.do(1.3, 1, "Mara", keep) == ""
    assert not service.stage.bangs["Larkspur"].sounding, "a late sign begins nothing"
    assert one.do(1.4, 1, "Mara", begin) == ""
    assert one.do(1.9, 1, "Mara", keep) == ""
    assert service.stage.bangs["Larkspur"].voices(1.9 + 0.1)["Larkspur"] == ()


def test_no_coil_is_said() -> None:
    one, service, _ = desk()
    assert "no coil" in one.do(1.0, 1, "Mara", c.Mute(do="mute", coil="Elder", muted=True))
    assert service.told == []


@pytest.mark.parametrize("do", ["disarm", "reset"])
def test_what_has_no_effect_is_answered(do: Any) -> None:
    one, service, _ = desk()
    assert one.do(1.0, 1, "Mara", c.Simple(do=do)).startswith("locked")
    assert service.told == []


def test_disarm_hush_and_reset_are_done_by_name() -> None:
    one, service, lines = desk()
    service.engine.interlock.arm(True)
    service.engine.interlock.confirmed()
    for do in ("hush", "disarm"):
        assert one.do(1.0, 1, "Mara", c.Simple(do=do)) == ""
    service.engine.interlock.trip(Cause.OPERATOR_STOP, "")
    assert one.do(2.0, 1, "Mara", c.Simple(do="reset")) == ""
    assert service.told == [(a, "panel Mara") for a in (Act.HUSH, Act.DISARM, Act.RESET)]
    assert [line for _, line in one.acts] == ["Mara: hush", "Mara: disarm", "Mara: reset"]
    assert len(lines) == 3


def test_mutes_loudness_and_steps_reach_the_stage_and_every_page() -> None:
    one, service, _ = desk()
    one.do(1.0, 1, "Mara", c.Loudness(do="loudness", share=0.4))
    one.do(1.0, 1, "Mara", c.Mute(do="mute", coil="Larkspur", muted=True))
    one.do(1.0, 1, "Mara", c.SetRate(do="set_rate", coil="Larkspur", break_rate_hz=25.0))
    assert one.do(1.0, 1, "Mara", c.Step(do="step", coil="Larkspur", way="shorter")) == ""
    assert service.told == ["source"] * 4  # each is heard at once, not at the next note
    shown = one.shown(1.0)
    assert shown["loudness"] == service.stage.attenuation.loudness == 0.4
    assert shown["muted"] == ["Larkspur"]
    assert shown["bangs"]["Larkspur"]["break_rate_hz"] == 25.0
    one.do(2.0, 1, "Mara", c.Mute(do="mute", coil="Larkspur", muted=False))
    assert one.shown(2.0)["muted"] == []


def test_what_the_command_adds_is_told_who_asks() -> None:
    asked: list[Any] = []

    def go_on(who: str, phase: c.Phase | None) -> str:
        asked.append((who, phase))
        return "on"

    one, _, lines = desk(others={"show:next": go_on})
    assert one.do(1.0, 1, "Mara", c.Other(do="other", name="show:next")) == "on"
    assert "not possible" in one.do(1.0, 1, "Mara", c.Other(do="other", name="show:none"))
    assert asked == [("Mara", None)]
    assert lines == ["panel, Mara: show next"]
    assert one.shown(1.0)["others"] == ["show:next"]


def test_what_is_held_is_let_go_with_its_page_and_needs_a_fresh_press() -> None:
    told: list[c.Phase | None] = []

    def hand(who: str, phase: c.Phase | None) -> str:
        told.append(phase)
        return ""

    def say(at_s: float, seat: int, phase: c.Phase) -> str:
        return one.do(at_s, seat, "Mara", c.Other(do="other", name="deadman:hold", phase=phase))

    one, _, _ = desk(others={"deadman:hold": hand})
    say(1.0, 1, "keep")
    assert told == [], "nothing was pressed"
    say(1.0, 1, "begin")
    say(1.1, 1, "keep")
    assert "holds it" in say(1.2, 2, "begin")
    say(1.2, 2, "end")
    assert told == ["begin", "keep"]
    one.gone(1.3, 1)
    assert told == ["begin", "keep", "end"]
    say(1.35, 1, "keep")
    assert told == ["begin", "keep", "end"]
    say(2.0, 2, "begin")
    say(2.6, 2, "keep")  # too long without a sign
    assert told == ["begin", "keep", "end", "begin"]
