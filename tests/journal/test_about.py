"""What a journal says of its run is enough to make the like of it again."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.bang_source import BangSource
from bridge.clocks import HostS
from bridge.config import Config, load_config
from bridge.config_check import fitted
from bridge.interlock import Cause, Interlock
from bridge.journal.about import (
    Began,
    about,
    code_digest,
    config_as_json,
    config_from_json,
    describe_source,
    make_source,
)
from bridge.latch_store import latch_from_text
from bridge.music.instrument import Instrument
from tests.site_text import site

CONFIGS = sorted((Path(__file__).resolve().parents[2] / "configs").glob("*.toml"))
BEGAN = Began("site.20260101-000000-1", HostS(12.25), 1_790_000_000.5)


@pytest.mark.parametrize(
    "config", [site(), *(fitted(load_config(f)) for f in CONFIGS)], ids=lambda c: c.site.name
)
def test_a_configuration_comes_back_as_it_was_used(config: Config) -> None:
    again = config_from_json(config_as_json(config))
    assert again.model_dump() == config.model_dump()


def test_the_file_is_kept_word_for_word() -> None:
    config = fitted(load_config(CONFIGS[0]))
    interlock = Interlock()
    interlock.trip(Cause.OPERATOR_STOP, "here", "planted")
    says = about(config, Instrument(config), interlock.latch, BEGAN)
    assert says["config_text"] == CONFIGS[0].read_text(encoding="utf-8")
    assert latch_from_text(says["latch"]) == interlock.latch
    assert float(says["began_s"]) == BEGAN.at_s


def test_sources_are_made_again() -> None:
    config = site()
    bangs = BangSource(config, "Foxglove", 7.0)
    again = make_source(config, json.loads(json.dumps(describe_source(bangs))))
    assert isinstance(again, BangSource)
    assert (again.coil, again.break_rate_hz) == ("Foxglove", 7.0)
    played = make_source(config, describe_source(Instrument(config)))
    assert isinstance(played, Instrument)
    with pytest.raises(ValueError, match="played by Harp"):
        make_source(config, {"kind": "Harp"})


def test_the_codes_digest_is_that_of_the_code_alone() -> None:
    assert code_digest() == code_digest()
    assert len(code_digest()) == 64
