"""The click test: a bang heard with a click, once and only while armed; what it then tells."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.bang import for_bangs
from bridge.click_source import ClickSource, coil_line, track_delay_lines
from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import State
from bridge.virtual_site import VirtualSite
from tests.chain.rig import INPUT, coil, guard_refusals, site

MAPPING_S = 0.0005
"""What the estimate of a board's clock may be off on a quiet line."""


def yard() -> Config:
    """Loudspeakers 30 m away, coils 24 and 41 m, at 5 °C."""
    return site(
        [
            coil("Larkspur", "North", 1, distance_to_audience_m=24),
            coil("Foxglove", "South", 1, distance_to_audience_m=41),
        ],
        inputs=[
            {"name": "daw", "virtual_port": "Daw", "timing": "fixed_delay", "delay_ms": 80},
            {"name": INPUT, "virtual_port": "Coilwarden"},
        ],
        air_temperature_c=5.0,
        loudspeaker_distance_m=30.0,
    )


def armed() -> tuple[VirtualSite, ClickSource]:
    config = for_bangs(yard())
    source = ClickSource(config)
    virtual = VirtualSite(config, source)
    virtual.arm()
    virtual.run_for(0.5)
    return virtual, source


def fire(virtual: VirtualSite, source: ClickSource, in_s: float = 0.8) -> float:
    at_s = HostS(virtual.now_s + in_s)
    source.fire_at(at_s)
    virtual.engine.source_changed(virtual.now_s)
    return at_s


@pytest.mark.parametrize("trim_ms", [0, 4, -7])
def test_one_bang_of_the_coil_whose_turn_it_is_heard_with_the_click(trim_ms: float) -> None:
    virtual, source = armed()
    for index, (name, distance_m) in enumerate((("Larkspur", 24.0), ("Foxglove", 41.0))):
        source.index = index
        source.trim(trim_ms / 1000)
        before = {n: len(p) for n, p in virtual.take_pulses().items()}
        click_s = fire(virtual, source)
        virtual.run_for(1.5)
        after = {n: len(p) - before[n] for n, p in virtual.take_pulses().items()}
        assert after == {"Larkspur": 0, "Foxglove": 0} | {name: 1}
        pulse = virtual.take_pulses()[name][-1]
        # Sound's way at 5 °C: 334.3 m/s (handbook value, dry air).
        heard_s = pulse.start_s + distance_m / 334.3
        assert heard_s - trim_ms / 1000 == pytest.approx(click_s + 30 / 334.3, abs=MAPPING_S)
        assert pulse.on_s * 1e6 == pytest.approx(40, abs=1), "the shortest that breaks out"
    assert guard_refusals(virtual) == 0


def test_nothing_is_fired_that_was_asked_before_a_stop_a_hush_or_an_arming() -> None:
    virtual, source = armed()
    fire(virtual, source)
    virtual.run_for(0.2)
    assert not virtual.engine.checks(virtual.now_s)[0].passed  # as a held note: no arming with it
    virtual.act(Act.HUSH)
    virtual.run_for(1.0)
    fire(virtual, source)
    virtual.run_for(0.2)
    virtual.act(Act.DISARM)
    virtual.run_for(0.2)
    virtual.act(Act.ARM)
    virtual.run_for(1.5)
    assert virtual.engine.interlock.state is State.ARMED
    fire(virtual, source, in_s=-0.3)  # its moment has passed
    virtual.run_for(0.5)
    fire(virtual, source)
    virtual.run_for(0.2)
    virtual.stop()
    virtual.run_for(1.0)
    assert not any(virtual.take_pulses().values())


def test_the_lines_say_distance_speed_and_what_a_trim_means() -> None:
    config = yard()
    line = coil_line(config, "Foxglove", 0.006)
    # 11 m at 334.3 m/s (handbook value): 32.9 ms; 6 ms are 2.0 m.
    assert "41 m away, at 5 °C, 334 m/s: fires 32.9 ms before the timeline; trim +6 ms" in line
    assert "distance_to_audience_m = 39.0" in line
    assert "39" not in coil_line(config, "Foxglove", 0.0)


@pytest.mark.parametrize(
    ("trims_ms", "expected_ms"), [((), 80.0), ((4, 4), 76.0), ((-3,), 83.0), ((6, 2), 76.0)]
)
def test_the_track_delay_is_the_inputs_delay_less_what_all_coils_share(
    trims_ms: tuple[float, ...], expected_ms: float
) -> None:
    delayed, immediate = track_delay_lines(yard(), [t / 1000 for t in trims_ms])
    assert f"input daw: in the DAW, delay the audio tracks by {expected_ms:.1f} ms" in delayed
    assert f"input {INPUT}: immediate" in immediate


def test_a_trim_has_bounds() -> None:
    source = ClickSource(for_bangs(yard()))
    assert math.isclose(source.trim(5.0), 0.1)
    assert math.isclose(source.trim(-5.0), -0.1)


def test_without_an_audio_device_it_says_so_and_fires_nothing(tmp_path: Path) -> None:
    bench = Path(__file__).parent.parent / "configs" / "bench.toml"
    found = subprocess.run(
        [sys.executable, "-m", "bridge", "click", str(bench), "--plain", "--device", "no such one"],
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path), "JACK_NO_START_SERVER": "1"},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert found.returncode == 1, found.stderr
    assert "no audio device" in found.stderr
    assert "nothing is fired" in found.stderr
    assert "Larkspur: no distance_to_audience_m" in found.stdout
    assert "input DAW: immediate" in found.stdout
    assert not list(tmp_path.rglob("*.journal"))
