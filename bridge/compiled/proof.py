"""What a rehearsal gives, as text to compare: `python -m bridge.compiled.proof [COPY]`.

With the folder of a compiled copy, that is what plays. The site has what the core can do: a coil
with tank and supply on a mains of little, two coils that are dealt to in turn, inputs at once or
with a delay; the piece is the demonstration's, at double speed as well.
"""

from __future__ import annotations

import sys
from pathlib import Path

SITE = """
[site]
name = "Proof"
[site.mains]
voltage_v = 240
breaker_a = 20
[[controller]]
name = "Board"
port = "simulated"
board_id = "c0110001"
[[coil]]
name = "One"
controller = "Board"
output = 1
min_on_time_us = 40
max_on_time_us = 150
min_off_time_us = 300
max_break_rate_hz = 900
duty_windows = [{ window_ms = 1000, max_percent = 6 }, { window_ms = 100, max_percent = 8 }]
max_voices = 3
notes = { lowest = 24, highest = 79, outside = "fold" }
soft_start = { bangs = 8, after_silence_ms = 400 }
distance_to_audience_m = 20
[coil.tank]
resonant_frequency_khz = 110
impedance_ohm = 34
loaded_ohm = 0.9
coupling = 0.15
current_limit_a = 1200
[coil.supply]
bus_voltage_v = 400
bus_capacitance_uf = 4000
recharge_w = 9000
[[coil]]
name = "Other"
controller = "Board"
output = 2
min_on_time_us = 45
max_on_time_us = 130
on_time_curve = [
    { break_rate_hz = 100, max_on_time_us = 130 },
    { break_rate_hz = 600, max_on_time_us = 90 },
]
min_off_time_us = 350
max_break_rate_hz = 800
duty_windows = [{ window_ms = 1000, max_percent = 5 }]
max_voices = 4
notes = { lowest = 24, highest = 77, outside = "fold" }
distance_to_audience_m = 22
[[input]]
name = "DAW"
virtual_port = "Coilwarden"
timing = "TIMING"
delay_ms = DELAY
max_note_s = 3
"""
SHARES = (1.0, 0.5)
"""Of the time the piece takes."""


def told() -> str:
    """Every pulse's start and length in ticks, and every note's story."""
    from bridge.config import parse_config  # noqa: PLC0415  (after the copy is in its place)
    from bridge.demo_piece import piece  # noqa: PLC0415
    from bridge.rehearse.run import perform  # noqa: PLC0415
    from bridge.show.score_file import Score, ScoreEvent  # noqa: PLC0415

    lines: list[str] = []
    for timing, delay in (("immediate", "0"), ("fixed_delay", "60")):
        config = parse_config(SITE.replace("TIMING", timing).replace("DELAY", delay), "proof")
        for share in SHARES:
            events = [ScoreEvent(at_s * share, bytes(message)) for at_s, message in piece()]
            performed = perform(config, Score(events, ticks_per_quarter=480))
            for name, fired in performed.pulses.items():
                ticks = zip(fired.start_tick.tolist(), fired.on_ticks.tolist(), strict=True)
                lines += [f"{name} {start} {on}" for start, on in ticks]
            lines += [repr(story) for story in performed.account.stories]
    return "\n".join(lines)


def main() -> None:
    if len(sys.argv) > 1:
        from bridge.compiled.use import use  # noqa: PLC0415

        if not use(Path(sys.argv[1])):
            sys.exit("the compiled copy cannot be loaded")
    print(told())


if __name__ == "__main__":
    main()
