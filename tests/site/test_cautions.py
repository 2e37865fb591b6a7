"""The cautions say what the standards say, and never that silence is safe."""

from __future__ import annotations

from bridge.interlock import NOT_SAFE
from bridge.site.cautions import CAUTIONS, GUIDANCE

ALL = " ".join(text for _, text in CAUTIONS)


def test_guidance_defers_to_codes_and_practice() -> None:
    assert "Local codes" in GUIDANCE
    assert "licensed" in GUIDANCE


def test_the_emergency_stop_is_said_as_iso_13850_says_it() -> None:
    # ISO 13850:2015: overrides every other function; latches; reset by
    # hand at the device; reset must not restart; complements guards, does not replace them.
    text = dict(CAUTIONS)["emergency stop"]
    for word in ("overrides every other function", "stays in", "reset by hand at its place",
                 "its reset starts nothing", "replaces neither", "ISO 13850"):  # fmt: skip
        assert word in text


def test_the_battery_is_whole() -> None:
    assert {name for name, _ in CAUTIONS} >= {
        "silence", "emergency stop", "the line", "overhead", "bodies", "ears", "air", "fire",
        "electronics", "the driver", "earthing", "breakers",
    }  # fmt: skip
    assert NOT_SAFE in ALL
    for word in ("Pacemakers", "ozone", "Hearing protection", "over-current", "contactor"):
        assert word in ALL
