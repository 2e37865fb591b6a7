"""SHOW.toml: what is read from it, and what is refused with a sentence. The demo's own too."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from bridge.clocks import HostS
from bridge.config import Config, load_config
from bridge.config_errors import ConfigError
from bridge.show.chasing import Chase
from bridge.show.player import Transport
from bridge.show.show_file import Show, load_show
from tests.chain.rig import between, coil, guard_refusals, site, violations
from tests.show.make_demo import ROUND
from tests.show.stage import midi_file, stage
from tests.show.test_player import BOARDS, begin, depot

CONFIGS = Path(__file__).resolve().parents[2] / "configs"


def written(folder: Path, text: str, config: Config | None = None) -> Show:
    """The show of `text`, beside a score of three notes and a second of audio."""
    import mido  # noqa: PLC0415

    track = [mido.Message("note_on", note=60, channel=c, velocity=90) for c in (0, 0, 4)]
    midi_file(folder / "round.mid", [*track, mido.MetaMessage("end_of_track", time=480)])
    soundfile.write(folder / "lamps.wav", np.zeros((12_000, 1)), 8000)
    (folder / "SHOW.toml").write_text(text, encoding="utf-8")
    return load_show(folder / "SHOW.toml", config or depot())


HEAD = 'name = "Lantern night"\n[[item]]\nname = "Round"\nscore = "round.mid"\n'


def test_what_is_not_said_has_its_default(tmp_path: Path) -> None:
    show = written(tmp_path, HEAD)
    [item], [playing] = show.items, show.playing
    assert (item.wait, item.countdown_s, item.on_trip) == (True, 3.0, "stop")
    assert not item.has_audio
    assert not item.is_chased
    assert playing.routes == ()
    assert playing.chase is None
    assert show.audio == ()
    assert show.remarks == ("Round: 1 notes of channel 5 go to no coil",)


def test_everything_that_can_be_said(tmp_path: Path) -> None:
    text = HEAD + (
        'audio = "lamps.wav"\nscore_offset_ms = 250\ngain_db = -20\nwait = false\n'
        'countdown_s = 10\non_trip = "go on"\npriority_channel = 2\n'
        '[[item.routes]]\nchannels = [1, 5]\ncoils = ["Foxglove"]\n'
        '[[item]]\nname = "Chased"\nscore = "round.mid"\n'
        '[item.chase]\ninput = "keys"\nbegins_at = "01:00:00;00"\nframe_rate = "29.97 drop"\n'
        '[[item]]\nname = "Clocked"\nscore = "round.mid"\n[item.chase]\ninput = "keys"\n'
        'kind = "clock"\n'
    )
    show = written(tmp_path, 'audio_device = "Depot"\n' + text)
    one = show.items[0]
    assert (one.score_offset_s, one.countdown_s, one.on_trip) == (0.25, 10, "go on")
    assert not one.wait
    assert one.audio_s == pytest.approx(1.5)
    assert one.duration_s == pytest.approx(0.25 + 0.5 + 1.5)  # the tail after the score's end
    assert show.playing[0].priority_channel == 2
    assert show.playing[0].routes[0].coils == ("Foxglove",)
    assert show.audio_device == "Depot"
    [audio] = show.audio
    assert (audio.item, audio.path, audio.gain) == (0, tmp_path / "lamps.wav", pytest.approx(0.1))
    # An hour of drop-frame labels: 107,892 frames at 30,000/1,001 a second (SMPTE ST 12-1).
    assert show.playing[1].chase == Chase("keys", "mtc", pytest.approx(107_892 * 1001 / 30_000))
    assert show.playing[2].chase == Chase("keys", "clock", 0.0)
    assert show.items[1].is_chased
    assert not [line for line in show.remarks if line.startswith("Round")]


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ("tempo = 3\n", r'item\[1\]\.tempo \(of "Round"\): unknown key; allowed here: audio'),
        ("gain_db = 3\n", r"item\[1\]\.gain_db .*less than or equal to 0 \(found 3\)"),
        ('on_trip = "louder"\n', r"on_trip .*'stop', 'fade' or 'go on'"),
        ('audio = "gone.wav"\n', r"audio: .*gone\.wav: there is no such file"),
        ('audio = "round.mid"\n', r"audio: .*not a sound file .*use WAV, FLAC or OGG"),
        ('[[item.routes]]\ncoils = ["Yarrow"]\n', r'no coil "Yarrow"; there are: Larkspur, Foxgl'),
        ('[item.chase]\ninput = "desk"\n', r'no input "desk"; there are: keys'),
        ('[item.chase]\ninput = "keys"\nbegins_at = "noon"\n', r'"noon" is no time code: write'),
        ('[item.chase]\ninput = "keys"\nbegins_at = "00:00:00:25"\n', "no such time at this frame"),
        (
            'audio = "lamps.wav"\n[item.chase]\ninput = "keys"\n',
            "give audio or chase: a DAW that is followed plays the audio itself",
        ),
        ('[[item]]\nname = "Two"\nscore = "gone.mid"\n', r'\(of "Two"\): score: .*cannot be read'),
        ("wait = maybe\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(tmp_path: Path, more: str, sentence: str) -> None:
    with pytest.raises(ConfigError, match=sentence) as found:
        written(tmp_path, HEAD + more)
    assert str(found.value).startswith(str(tmp_path / "SHOW.toml"))


def test_everything_wrong_is_said_at_once(tmp_path: Path) -> None:
    more = 'audio = "gone.wav"\n[[item.routes]]\ncoils = ["Yarrow"]\n'
    with pytest.raises(ConfigError, match="2 things to put right"):
        written(tmp_path, HEAD + more)


def test_time_code_of_an_input_with_a_fixed_delay_is_refused(tmp_path: Path) -> None:
    keys = {"name": "keys", "virtual_port": "Keys", "timing": "fixed_delay", "delay_ms": 140}
    config = site([coil("Larkspur", "North", 1)], controllers=BOARDS[:1], inputs=[keys])
    with pytest.raises(ConfigError, match=r'chase\.input: "keys" has timing = "fixed_delay".*own'):
        written(tmp_path, HEAD + '[item.chase]\ninput = "keys"\n', config)


@pytest.mark.parametrize("spoil", ["gone", "noise"])
def test_a_file_that_cannot_be_read_is_a_sentence(tmp_path: Path, spoil: str) -> None:
    path = tmp_path / "SHOW.toml"
    if spoil == "noise":
        path.write_bytes(b"\xff\xfe name")
    with pytest.raises(ConfigError, match=r"SHOW\.toml: (cannot be read|not UTF-8)"):
        load_show(path, depot())


def test_the_demo_plays_through_on_its_bench() -> None:
    """configs/lantern-show on configs/bench.toml: a round in two voices, then the lamps' bass."""
    config = load_config(CONFIGS / "bench.toml")
    show = load_show(CONFIGS / "lantern-show" / "SHOW.toml", config)
    assert show.remarks == ()
    virtual, source = stage(config, show.items, show.playing)
    zero_s = begin(virtual, source)
    ends_s = zero_s + show.items[0].duration_s
    virtual.run_until(HostS(ends_s))
    eighth_s = 60 / 108 / 2
    pulses = virtual.take_pulses()
    for name, late in (("Larkspur", 0), ("Foxglove", 4)):
        first_s = pulses[name][0].start_s
        assert first_s == pytest.approx(zero_s + late * eighth_s, abs=2e-3)
        for number in range(len(ROUND)):
            at_s = first_s + number * eighth_s
            assert len(between(pulses[name], at_s, at_s + 0.1)) > 5, f"{name}: note {number}"
    virtual.run_for(30.0)
    assert source.player.index == 1
    assert source.player.transport is Transport.ENDED
    assert virtual.take_pulses()["Foxglove"][-1].start_s > ends_s + 2
    assert guard_refusals(virtual) == 0
    assert violations(config, virtual) == []
