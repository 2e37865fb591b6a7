"""The dead man's switch as a page of the panel holds it."""

from __future__ import annotations

from bridge.host_clock import host_now
from bridge.panel.commands import Phase
from bridge.service import Service


def hold_by_page(service: Service, who: str, phase: Phase | None) -> str:
    """A page's sign: it begins to hold, keeps holding, or lets go. One that comes too late holds
    nothing again: that takes a fresh press. Anything but begin and keep lets go."""
    switch = service.engine.permission_inputs.dead_man
    held_still = switch is not None and switch.is_held(host_now())
    service.hold(phase == "begin" or (phase == "keep" and held_still))
    return ""
