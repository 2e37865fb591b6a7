"""The worst cases as they are shown, against the closed form that stands beside them."""

from __future__ import annotations

import pytest

from bridge.coil.cases import LOADED_QUALITY, arc_quality, cases
from bridge.coil.worst_case import MAINS_HIGH

from .parts import model


@pytest.mark.parametrize("loaded_ohm", [0.1, 0.249, 0.5])
def test_the_usual_arc_is_the_one_that_loaded_ohm_tells_of(loaded_ohm: float) -> None:
    """Two figures of one name on one page: coupled model and closed form agree within 10 %, both
    with the mains high and half a cycle more than asked."""
    one = model({"loaded_ohm": loaded_ohm})
    on_us = 80.0
    found = {c.name: c for c in cases(one, on_us, 200.0)}["with the usual arc"]
    on_s = on_us * 1e-6 + 0.5 / one.circuit.frequency_hz
    assert found.peak_current_a == pytest.approx(
        MAINS_HIGH * one.expected.current_a(on_s), rel=0.10
    )


def test_what_is_left_is_less_with_an_arc_with_diodes_and_with_time() -> None:
    # No outside value: the order that energy must keep. Without loss and shorted it only rings on.
    soon = {c.name: c for c in cases(model({"loss_ohm": 0.05}), 60.0, 120.0)}
    late = {c.name: c for c in cases(model({"loss_ohm": 0.05}), 60.0, 500.0)}
    for name, case in soon.items():
        assert 0 <= case.left_returned_percent < case.left_shorted_percent < 100
        assert late[name].left_shorted_percent < case.left_shorted_percent
    arc, none = soon["with the usual arc"], soon["no breakout"]
    assert arc.left_shorted_percent < none.left_shorted_percent
    ever = {c.name: c for c in cases(model(), 60.0, 500.0)}["struck to ground"]
    assert ever.left_shorted_percent > 90


def test_an_arc_nobody_measured_is_the_trades() -> None:
    assert arc_quality(model({"loaded_ohm": None})) == LOADED_QUALITY
    assert arc_quality(model({"coupling": 0.0})) == LOADED_QUALITY
    assert arc_quality(model({"loss_ohm": 0.249})) == LOADED_QUALITY
