"""Mutes and loudness only reduce; bangs beside the music obey them and end when let go."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.attenuation import Attenuation
from bridge.bang_source import BangSource
from bridge.config import Config
from bridge.music.instrument import Instrument
from bridge.music.voices import Hold, VoiceAsk
from bridge.stage import HOLD_S, Stage
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, between, coil, guard_refusals, note_on, site, violations

ASK = VoiceAsk(7, 220.0, 0.5, 57, 1, Hold.HELD, 1.0)
energies = st.floats(min_value=1e-300, max_value=1.0, exclude_min=False)
shares = st.floats(allow_nan=True, allow_infinity=True)


@given(st.lists(energies, max_size=4), st.lists(shares, max_size=5), st.booleans())
def test_nothing_is_ever_raised_added_or_renamed(
    asked: list[float], turns: list[float], muted: bool
) -> None:
    voices = tuple(ASK._replace(voice_id=i + 1, energy=e) for i, e in enumerate(asked))
    attenuation = Attenuation()
    for share in turns:
        attenuation.set_loudness(share)
        attenuation.mute("Larkspur", muted)
        found = attenuation.apply({"Larkspur": voices, "Foxglove": ()})
        assert found["Foxglove"] == ()
        before = {v.voice_id: v for v in voices}
        for voice in found["Larkspur"]:
            assert 0 < voice.energy <= before[voice.voice_id].energy
            assert voice._replace(energy=before[voice.voice_id].energy) == before[voice.voice_id]
        if muted or not attenuation.loudness > 0:
            assert found["Larkspur"] == ()


def test_what_is_not_reduced_is_the_very_same() -> None:
    attenuation, voices = Attenuation(), (ASK,)
    assert attenuation.apply({"Larkspur": voices})["Larkspur"] is voices
    attenuation.set_loudness(0.5)
    first = attenuation.apply({"Larkspur": voices})["Larkspur"]
    assert attenuation.apply({"Larkspur": voices})["Larkspur"] is first


def config(**input_changes: object) -> Config:
    coils = [coil("Larkspur", "North", 1), coil("Foxglove", "North", 2)]
    inputs = [{"name": INPUT, "virtual_port": "Coilwarden", "max_note_s": 600, **input_changes}]
    return site(coils, inputs=inputs, music={"routes": [{"coils": ["Larkspur", "Foxglove"]}]})


def played(**input_changes: object) -> tuple[VirtualSite, Stage]:
    one = config(**input_changes)
    stage = Stage(one, Instrument(one))
    virtual = VirtualSite(one, stage)
    virtual.arm()
    return virtual, stage


def tell(virtual: VirtualSite) -> None:
    virtual.engine.source_changed(virtual.now_s)


def at(virtual: VirtualSite) -> float:
    return virtual.engine.timeline.now_s(virtual.now_s)


def mean_on_s(virtual: VirtualSite, name: str, start_s: float) -> float:
    pulses = between(virtual.take_pulses()[name], start_s, virtual.now_s)
    return sum(p.on_s for p in pulses) / len(pulses) if pulses else 0.0


def test_a_muted_coil_is_dark_and_the_other_plays_on() -> None:
    virtual, stage = played()
    virtual.midi(INPUT, note_on(57))
    virtual.run_for(0.5)
    stage.mute("Larkspur", True)
    tell(virtual)
    muted_s = virtual.now_s + 0.02
    virtual.run_for(0.5)
    pulses = virtual.take_pulses()
    assert not between(pulses["Larkspur"], muted_s, virtual.now_s)
    assert between(pulses["Foxglove"], muted_s, virtual.now_s)
    stage.mute("Larkspur", False)
    tell(virtual)
    back_s = virtual.now_s
    virtual.run_for(0.5)
    assert between(virtual.take_pulses()["Larkspur"], back_s, virtual.now_s)


def test_less_loudness_is_shorter_pulses() -> None:
    virtual, stage = played()
    virtual.midi(INPUT, bytes((0xC0, 16)))
    virtual.midi(INPUT, note_on(57))
    virtual.run_for(1.0)
    loud = mean_on_s(virtual, "Larkspur", virtual.now_s - 0.2)
    found = [loud]
    for share in (0.5, 0.1):
        stage.set_loudness(share)
        tell(virtual)
        virtual.run_for(1.0)
        found.append(mean_on_s(virtual, "Larkspur", virtual.now_s - 0.2))
    assert found[0] > found[1] > found[2] > 0
    assert violations(config(), virtual) == []
    assert guard_refusals(virtual) == 0


@pytest.mark.parametrize("delay", [{}, {"timing": "fixed_delay", "delay_ms": 60}], ids=str)
def test_a_held_rate_ends_by_itself_when_no_sign_comes(delay: dict[str, object]) -> None:
    virtual, stage = played(**delay)
    lead_s = virtual.engine.timeline.lead_s
    for _ in range(10):
        stage.hold("Larkspur", at(virtual))
        tell(virtual)
        virtual.run_for(0.1)
    lost_s = virtual.now_s - 0.1  # when the last sign came
    virtual.run_for(1.0)
    pulses = virtual.take_pulses()
    assert len(pulses["Larkspur"]) >= 8
    assert not pulses["Foxglove"]
    assert pulses["Larkspur"][-1].start_s <= lost_s + HOLD_S + lead_s + 0.005


def test_a_held_rate_ends_at_once_when_let_go() -> None:
    virtual, stage = played()
    stage.set_rate("Larkspur", 200.0)
    stage.hold("Larkspur", at(virtual))
    tell(virtual)
    virtual.run_for(0.2)
    stage.let_go("Larkspur")
    tell(virtual)
    let_go_s = virtual.now_s
    virtual.run_for(0.5)
    last = virtual.take_pulses()["Larkspur"][-1]
    assert last.start_s < let_go_s + 0.005


def test_bangs_beside_music_keep_every_limit() -> None:
    virtual, stage = played()
    virtual.midi(INPUT, note_on(69))
    virtual.midi(INPUT, note_on(64))
    stage.set_rate("Larkspur", 300.0)
    for turn in range(20):
        stage.longer("Larkspur", at(virtual))
        stage.hold("Larkspur", at(virtual))
        tell(virtual)
        virtual.run_for(0.1)
        if turn == 10:
            stage.fire("Foxglove", at(virtual))
            tell(virtual)
    assert any(len(line.asks) == 3 for line in virtual.engine.lines.values())
    assert violations(config(), virtual) == []
    assert guard_refusals(virtual) == 0


def test_no_two_voices_have_one_number() -> None:
    one = config()
    stage = Stage(one, Instrument(one))
    stage.midi(1.0, INPUT, note_on(69))
    stage.hold("Larkspur", 1.0)
    numbers = [v.voice_id for v in stage.voices(1.0)["Larkspur"]]
    assert len(numbers) == len(set(numbers)) == 2


def test_a_muted_coil_fires_no_bang() -> None:
    virtual, stage = played()
    stage.mute("Larkspur", True)
    stage.fire("Larkspur", at(virtual))
    tell(virtual)
    virtual.run_for(0.5)
    assert not virtual.take_pulses()["Larkspur"]


def test_hush_ends_bangs_too() -> None:
    virtual, stage = played()
    stage.hold("Larkspur", at(virtual))
    assert stage.notes_held()
    stage.hush(at(virtual))
    assert not stage.notes_held()
    assert stage.voices(at(virtual))["Larkspur"] == ()


def test_what_it_was_told_does_the_same_elsewhere() -> None:
    one = config()
    stage, again = (Stage(one, Instrument(one)) for _ in range(2))
    stage.mute("Foxglove", True)
    stage.set_loudness(0.4)
    stage.set_rate("Larkspur", 50.0)
    stage.longer("Larkspur", 1.0)
    stage.shorter("Larkspur")
    stage.longer("Larkspur", 3.0)
    stage.fire("Larkspur", 3.1)
    stage.hold("Foxglove", 3.2)
    stage.let_go("Foxglove")
    stage.hold("Larkspur", 3.3)
    for command, numbers in stage.take_commands():
        again.do(command, numbers)
    assert again.voices(3.4) == stage.voices(3.4)
    assert stage.voices(3.4)["Larkspur"]
    assert stage.take_commands() == []


@pytest.mark.parametrize("command", ["stage mute", "stage rate", "stage nothing", "other"])
def test_a_command_it_has_not_is_an_error(command: str) -> None:
    one = config()
    for numbers in ((), (9.0, 1.0), (-1.0, 1.0), (0.0, 1.0, 2.0)):
        with pytest.raises(ValueError, match=r".+"):
            Stage(one, Instrument(one)).do(command, numbers)


def test_bangs_of_other_commands_hold_as_they_did() -> None:
    bangs = BangSource(config(), "Larkspur", 10.0)
    bangs.hold(1.0)
    assert bangs.next_deadline_s() == pytest.approx(1.7)
