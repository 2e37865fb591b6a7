"""A show behind the panel's mutes and loudness: its score passes, what sounds is reduced."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.clocks import HostS
from bridge.config import Config
from bridge.engine import Act
from bridge.interlock import State
from bridge.show.player import Item, Player, Transport
from bridge.show.show_source import Playing, ShowSource
from bridge.show.show_stage import ShowStage
from bridge.source import ScoreFeed
from bridge.view import SiteView, site_view
from bridge.virtual_site import VirtualSite
from tests.show.stage import first_pulses
from tests.show.test_player import depot, onsets, steady

NOTES = 40


@dataclass
class Night:
    """A show behind its panel's stage, playing."""

    site: VirtualSite
    source: ShowSource
    stage: ShowStage
    zero_s: float

    def view(self) -> SiteView:
        return site_view(self.site.engine, self.site.now_s)


def night(config: Config) -> Night:
    item = Item("Round", steady(NOTES), countdown_s=2.0)
    source = ShowSource(config, Player([item]), [Playing()])
    staged = ShowStage(config, source)
    site = VirtualSite(config, staged)
    site.arm()
    source.go(site.now_s)
    site.engine.source_changed(site.now_s)
    return Night(site, source, staged, site.now_s + 2.0)


def test_the_score_passes_at_its_time_and_a_muted_coil_is_silent() -> None:
    one = night(depot())
    assert isinstance(one.stage, ScoreFeed)
    site, zero_s = one.site, one.zero_s
    site.run_until(HostS(zero_s + 3.0))
    late_s = [t - zero_s - (0.5 + i * 0.25) for i, t in enumerate(onsets(site))]
    assert len(late_s) >= 10
    assert max(map(abs, late_s)) < 200e-6
    one.stage.mute("Larkspur", True)
    site.engine.source_changed(site.now_s)
    muted_s = site.now_s
    site.run_for(2.0)
    pulses = site.take_pulses()
    assert pulses["Larkspur"][-1].start_s < muted_s + site.engine.timeline.lead_s + 0.02
    assert len([t for t in first_pulses(pulses["Foxglove"], 0.1) if t > muted_s]) >= 3


def test_after_a_trip_cause_and_remedy_then_reset_arm_and_on_at_the_bar() -> None:
    """As the operator's picture and the panel's pages show it. Bars are 2 s."""
    one = night(depot())
    site, source, zero_s = one.site, one.source, one.zero_s
    site.run_until(HostS(zero_s + 7.3))
    site.stop()
    tripped_s = site.now_s
    site.run_for(0.5)
    view = one.view()
    assert view.state == State.TRIPPED.value
    assert "operator" in view.trip.lower()
    assert view.remedy
    assert view.show is not None
    assert (view.show.transport, view.show.bar) == ("paused", 4)
    assert view.show.position_s == 7.3
    for act, state in ((Act.RESET, State.LOCKED), (Act.ARM, State.ARMED)):
        site.act(act)
        site.run_for(3.0)
        assert site.engine.interlock.state is state
        assert one.view().show == view.show, "its place is kept"
    assert onsets(site, tripped_s + 0.2) == []
    source.resume(site.now_s, 4)
    site.engine.source_changed(site.now_s)
    again_s = site.now_s + site.engine.timeline.lead_s + 0.6
    site.run_for(2.0)
    assert source.player.transport is Transport.PLAYING
    found = onsets(site, tripped_s + 0.2)
    # Bar 4 begins at 6 s, and so does a note.
    late_s = [t - again_s - i * 0.25 for i, t in enumerate(found)]
    assert len(late_s) >= 5
    assert max(map(abs, late_s)) < 300e-6
