"""When music takes effect: at once, or a fixed delay after it arrived. Pure.

With every input immediate, an event takes effect when it arrives. As soon as one input has a fixed
delay, the whole site runs on one timeline a little ahead of now (`lead_s`): an event of a delayed
input takes effect at arrival + delay exactly (if it is handed over within the slack), so the jitter
of host and link is gone. Each coil then also fires earlier by its acoustic offset, so that all
coils and the loudspeakers arrive together in the middle of the audience.

Inputs that are to sound sooner than that (`near`: an immediate one beside a delayed one, a keyboard
over a show) play into what has been sent ahead: theirs takes effect `ahead_s` after it arrived, or
at their own delay, and replaces what a controller has queued from then on (coil_line.py).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from typing import Final

from bridge.clocks import HostS, MusicS
from bridge.config import Config

LEAD_S = 0.025
"""Host jitter that is made good by planning this far ahead."""
FRAME_S = 0.008
"""Building and sending a frame: with the link's own jitter, the least that is worth planning."""
LEAST_LEAD_S = 0.012
"""A frame needs this long to be built, sent and queued."""
NEAR_S = 0.006
"""How far ahead live notes take effect that play over what is queued: it is written by then ..."""
NEAR_FRAME_S = 0.004
"""... and so long beyond the link's own jitter, where that is more."""
SLACK_S = 0.003
"""A delayed event may be handed over this late and still take effect exactly in time."""
MOST_AHEAD_S = 0.12
"""No coil's frames may be sent further ahead: while voices move they come 9 ms apart, and a
controller's queue need hold no more than 16 (PROTOCOL.md, section 7)."""
MOST_SHOW_AHEAD_S = 0.2
"""The same where a show sends everything far ahead: moving voices then leave the queue's room to
notes (coil_line.py), and a board takes 250 ms."""
_NEVER_S: Final = MusicS(math.inf)
_ROUNDING_S: Final = 1e-9
"""What is due at t is decided at t - lead: sums of floats must not put it after its own time."""


def speed_of_sound_m_s(temperature_c: float) -> float:
    """In dry air (handbook formula): 331.3·√(1 + T/273.15)."""
    return 331.3 * math.sqrt(1 + temperature_c / 273.15)


def acoustic_offsets_s(config: Config) -> dict[str, float]:
    """Per coil, by how much later than the timeline it fires (negative: earlier).

    Reference is the loudspeakers' distance, or the farthest coil where there are none. A coil
    without a distance has offset 0.
    """
    speed = speed_of_sound_m_s(config.site.air_temperature_c)
    distances = {c.name: c.distance_to_audience_m for c in config.coil}
    known = [d for d in distances.values() if d is not None]
    reference = config.site.loudspeaker_distance_m
    if reference is None:
        reference = max(known, default=0.0)
    return {n: 0.0 if d is None else (reference - d) / speed for n, d in distances.items()}


class Timeline:
    """Events waiting for their time, and how far ahead of now the music runs."""

    def __init__(self, config: Config, ahead_s: float = 0.0) -> None:
        """`ahead_s` above 0: a show, whose frames are all sent that long before their time."""
        delays = {i.name: i.delay_ms / 1000 for i in config.input if i.timing == "fixed_delay"}
        self._delays = delays
        self.scheduled = bool(delays) or ahead_s > 0
        """True: frames carry a time to apply at. False: they apply on arrival."""
        self.offsets_s = acoustic_offsets_s(config) if self.scheduled else {}
        earliest = max(0.0, -min(self.offsets_s.values(), default=0.0))
        latest = max(0.0, max(self.offsets_s.values(), default=0.0))
        jitter = max(c.link_jitter_ms for c in config.controller) / 1000
        wanted = max(LEAD_S, jitter + FRAME_S) + earliest
        self.lead_s = max(0.0, min(min(delays.values()) - SLACK_S, wanted)) if delays else 0.0
        most_s = MOST_AHEAD_S
        if ahead_s > 0:  # inputs wait for the score: all share one timeline
            self.lead_s = ahead_s + earliest
            most_s = MOST_SHOW_AHEAD_S
        self._rounding_s = _ROUNDING_S if self.scheduled else 0.0
        self.faults: list[str] = []
        """What of the timing cannot work, as sentences: such a site must not be started."""
        least = LEAST_LEAD_S + earliest
        if delays and self.lead_s < least - 1e-9:
            name = min(delays, key=lambda n: delays[n])
            index = [i.name for i in config.input].index(name)
            self.faults.append(
                f'input[{index + 1}].delay_ms (of "{name}"): {delays[name] * 1000:g} is too short: '
                f"the farthest coil must fire {earliest * 1000:.1f} ms early and a frame needs "
                f"{LEAST_LEAD_S * 1000:.0f} ms; give at least "
                f"{math.ceil((least + SLACK_S) * 1000 - 1e-9)}"
            )
        if self.scheduled and self.lead_s + latest > most_s + 1e-9:
            name = max(self.offsets_s, key=lambda n: self.offsets_s[n])
            index = [c.name for c in config.coil].index(name)
            self.faults.append(
                f'coil[{index + 1}].distance_to_audience_m (of "{name}"): so near that pulses wait '
                f"{(self.lead_s + latest) * 1000:.0f} ms on the controller for the sound of the "
                f"farthest source; at most {most_s * 1000:.0f} ms is possible: correct the "
                "distances or leave them out"
            )
        self.problems = list(self.faults)
        """The faults, and what else the operator should know of the timing."""
        if delays and not self.faults and self.lead_s < jitter + FRAME_S + earliest - 1e-9:
            self.problems.append(
                f"a link may hold frames {jitter * 1000:.0f} ms back, and the delay leaves "
                f"{(self.lead_s - earliest) * 1000:.0f} ms: notes may then sound late; a delay of "
                f"{math.ceil((jitter + FRAME_S + earliest + SLACK_S) * 1000 - 1e-9)} ms takes it in"
            )
        near = (i.name for i in config.input if delays.get(i.name, 0.0) < self.lead_s - 1e-9)
        self.near = frozenset(near)
        """Inputs that play into what has been sent ahead."""
        # Beyond the link's own jitter, or frames would come too late to be taken.
        self.ahead_s = max(NEAR_S, jitter + NEAR_FRAME_S)
        """So long after its arrival takes effect what a `near` input plays."""
        self.early_s = max(0.0, self.lead_s - self.ahead_s) if self.near else 0.0
        """So much earlier than the timeline's present such a change may take effect."""
        self._waiting = _Waiting()
        self._near_waiting = _Waiting()

    def now_s(self, host_s: HostS) -> MusicS:
        """The timeline's present: what is decided now takes effect then."""
        return MusicS(host_s + self.lead_s + self._rounding_s)

    def delay_s(self, input_name: str) -> float:
        """How long after its arrival an event of this input takes effect."""
        return max(self._delays.get(input_name, self.lead_s), self.lead_s)

    def near_s(self, host_s: HostS) -> MusicS:
        """When that takes effect which a `near` input plays now."""
        return MusicS(self.now_s(host_s) - self.early_s)

    def put(self, host_s: HostS, input_name: str, message: bytes) -> None:
        """An event that arrived at `host_s`."""
        self._waiting.put(MusicS(host_s + self.delay_s(input_name)), input_name, message)

    def put_near(self, host_s: HostS, input_name: str, message: bytes) -> None:
        """The same of one of the `near` inputs."""
        delay_s = max(self._delays.get(input_name, 0.0), self.lead_s - self.early_s)
        self._near_waiting.put(MusicS(host_s + delay_s), input_name, message)

    def put_at(self, at_s: MusicS, input_name: str, message: bytes) -> None:
        """An event that takes effect at `at_s`, known beforehand."""
        self._waiting.put(at_s, input_name, message)

    def host_s(self, at_s: MusicS) -> HostS:
        """When that must be decided which takes effect at `at_s`."""
        return HostS(at_s - self.lead_s)

    def next_s(self) -> HostS:
        """When the earliest waiting event must be decided; infinite if none."""
        due_s = self.host_s(self._waiting.next_s())
        near_s = HostS(self._near_waiting.next_s() - (self.lead_s - self.early_s))
        return near_s if near_s < due_s else due_s

    def due(self, host_s: HostS) -> tuple[MusicS, list[tuple[str, bytes]]] | None:
        """The earliest group of events to decide by now, with its time; None if there is none.

        Events within 0.2 ms of each other (a chord) are one group. The times never decrease: an
        event handed over so late that the music has passed its time takes effect now.
        """
        return self._waiting.due(self.now_s(host_s))

    def due_near(self, host_s: HostS) -> tuple[MusicS, list[tuple[str, bytes]]] | None:
        """The same of what `near` inputs play."""
        return self._near_waiting.due(self.near_s(host_s))

    def drop_input(self, input_name: str) -> None:
        """Forgets what still waits from an input that was lost."""
        for waiting in (self._waiting, self._near_waiting):
            waiting.keep(lambda name, message: name != input_name)

    def drop_notes(self) -> None:
        """Forgets notes that still wait to begin; controllers and note-offs keep their time."""
        for waiting in (self._waiting, self._near_waiting):
            waiting.keep(lambda name, message: not (message and message[0] & 0xF0 == 0x90))


class _Waiting:
    """Events and their times."""

    def __init__(self) -> None:
        self._heap: list[tuple[MusicS, int, str, bytes]] = []
        self._count = 0
        self._present_s = MusicS(-math.inf)

    def put(self, at_s: MusicS, input_name: str, message: bytes) -> None:
        self._count += 1
        heapq.heappush(self._heap, (at_s, self._count, input_name, message))

    def next_s(self) -> MusicS:
        return self._heap[0][0] if self._heap else _NEVER_S

    def due(self, present_s: MusicS) -> tuple[MusicS, list[tuple[str, bytes]]] | None:
        heap = self._heap
        if not heap or heap[0][0] > present_s:
            self._present_s = max(self._present_s, present_s)
            return None
        at = heap[0][0]
        group: list[tuple[str, bytes]] = []
        while heap and heap[0][0] <= min(at + 0.0002, present_s):
            _, _, name, message = heapq.heappop(heap)
            group.append((name, message))
        self._present_s = max(self._present_s, at)
        return self._present_s, group

    def keep(self, wanted: Callable[[str, bytes], bool]) -> None:
        """Keeps what `wanted(input_name, message)` says."""
        self._heap = [e for e in self._heap if wanted(e[2], e[3])]
        heapq.heapify(self._heap)
