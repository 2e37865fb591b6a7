"""Three clocks, each a type of its own: the type checker refuses one where another is wanted. Pure.

Nothing is checked at run time: a HostS and a MusicS are floats, a Tick is an int. Arithmetic gives
plain numbers (a difference is a duration, in seconds of any clock); who adds to a time and means a
time says again which clock it is of: `HostS(now_s + LEASE_S)`.
"""

from __future__ import annotations

from typing import NewType

HostS = NewType("HostS", float)
"""Seconds of this computer's monotonic clock: when something happens here.

Made by the shell (`host_now`, the stamps of the MIDI reader) and by virtual_site.py, which counts
from 0; never by the pure core. `Timeline.now_s` turns it into MusicS, `Clock.tick_at` into Tick.
"""

MusicS = NewType("MusicS", float)
"""Seconds of the timeline: when music takes effect.

Counts as host time does; what is decided now takes effect `Timeline.lead_s` from now where an input
has a fixed delay, and now on immediate sites. Made by `Timeline`: its present (`now_s`) and the
times of what waits in it (`due`). `CoilLine` adds its coil's acoustic offset, which gives the HostS
at which a frame is to apply.
"""

Tick = NewType("Tick", int)
"""A controller's counter, modulo 2**32, on one boot of one board.

Made by the board (in pong and status; the session says so as it takes them) and by `Clock.tick_at`
for what the board is to do. Two of them are compared by `ticks_between` alone; the ticks of two
boards, or of two boots, have nothing to do with each other.
"""
