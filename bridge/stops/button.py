"""A button's loop on a serial adapter, looked at by a thread of its own: an adapter may hang.

The thread says each change; how long it takes over its looks is for others to see (`since_s`).
"""

from __future__ import annotations

import contextlib
import termios
import threading
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol, cast

import serial

from bridge.clocks import HostS
from bridge.host_clock import host_now
from bridge.link.transport import LINE_ERRORS
from bridge.stops.challenge import STEP_S, STEPS_TO_NOTICE, Challenge, Finding
from bridge.stops.condition import Condition

AGAIN_S = 0.5
"""Between attempts to open an adapter that is not there."""


class ModemLines(Protocol):
    """What is needed of a serial port: its own names, as pyserial has them."""

    rts: bool

    @property
    def cts(self) -> bool: ...

    def close(self) -> None: ...


def open_lines(port: str) -> ModemLines:
    """The adapter's lines. Raises LINE_ERRORS.

    DTR resets boards. `dsrdtr` keeps pyserial from touching it; without HUPCL the kernel does not
    let it fall when the port is closed. That the kernel raises it when the port is opened nothing
    here can help: so the adapter must be the button's own. Nothing is ever sent.
    """
    lines = cast(ModemLines, serial.serial_for_url(port, dsrdtr=True, exclusive=True))
    descriptor = cast(Any, lines).fd if hasattr(lines, "fd") else None
    if descriptor is not None:
        try:
            attributes = termios.tcgetattr(descriptor)
            attributes[2] &= ~termios.HUPCL
            termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
        except termios.error:
            lines.close()
            raise
    return lines


class Button:
    """One button. `tell` is called on this thread, with each finding that is a new one."""

    def __init__(
        self,
        open_port: Callable[[], ModemLines],
        tell: Callable[[Finding], None],
        *,
        clock: Callable[[], HostS] = host_now,
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        """`wait`: waits for so many seconds; True: it is time to end."""
        self._open = open_port
        self._tell = tell
        self._clock = clock
        self._ending = threading.Event()
        self._wait = wait or self._ending.wait
        self._told: Finding | None = None
        self._looks = deque([clock()], maxlen=STEPS_TO_NOTICE)

    @property
    def since_s(self) -> HostS:
        """So many looks as it takes to notice a press were all taken since then, or the adapter
        was found not to be there."""
        return self._looks[0]

    def run(self) -> None:
        """Looks until ended."""
        while not self._wait(0.0):
            try:
                lines = self._open()
            except LINE_ERRORS as error:
                self._say(Finding(Condition.ABSENT, str(error)))
            else:
                try:
                    self._look(lines)
                except LINE_ERRORS as error:
                    self._say(Finding(Condition.ABSENT, f"the adapter is gone: {error}"))
                finally:
                    with contextlib.suppress(*LINE_ERRORS):
                        lines.close()
            if self._wait_on(AGAIN_S):
                return

    def _look(self, lines: ModemLines) -> None:
        challenge = Challenge()
        lines.rts = challenge.level
        self._is_alive()
        while not self._wait(STEP_S):
            finding = challenge.answer(bool(lines.cts))
            lines.rts = challenge.level
            self._looks.append(self._clock())
            self._say(finding)

    def _wait_on(self, seconds: float) -> bool:
        """Waits, and says meanwhile that it is alive."""
        for _ in range(round(seconds / 0.1)):
            if self._wait(0.1):
                return True
            self._is_alive()
        return False

    def _is_alive(self) -> None:
        self._looks = deque([self._clock()], maxlen=STEPS_TO_NOTICE)

    def _say(self, finding: Finding) -> None:
        if finding != self._told:
            self._told = finding
            self._tell(finding)

    def end(self) -> None:
        """From any thread: `run` returns soon, if its adapter lets it."""
        self._ending.set()


class WatchedButton:
    """A Button and its thread, as the loop sees them. `changed` is called on the loop's thread."""

    def __init__(
        self,
        open_port: Callable[[], ModemLines],
        changed: Callable[[Finding], None],
        call_soon: Callable[[Callable[[], None]], object],
        *,
        late_s: float,
        clock: Callable[[], HostS] = host_now,
        wait: Callable[[float], bool] | None = None,
    ) -> None:
        self._changed = changed
        self._late_s = late_s
        self._is_late = False
        self._last = Finding(Condition.ABSENT, "not looked at yet")
        self._call_soon = call_soon
        self._button = Button(open_port, self._tell, clock=clock, wait=wait)
        self._thread = threading.Thread(target=self.run, name="stop button", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def run(self) -> None:
        """What its thread does, until `end`."""
        self._button.run()

    def _tell(self, finding: Finding) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to tell
            self._call_soon(lambda: self._on_change(finding))

    def _on_change(self, finding: Finding) -> None:
        self._last = finding
        # Late, it is closed only once it is looked at in time again.
        if not self._is_late or finding.condition is not Condition.CLOSED:
            self._changed(finding)

    def look(self, now_s: HostS) -> None:
        """On the loop, again and again: a thread that says nothing is as good as no button."""
        is_late = now_s - self._button.since_s > self._late_s
        if is_late == self._is_late:
            return
        self._is_late = is_late
        why = f"its adapter took over {self._late_s * 1000:.0f} ms for {STEPS_TO_NOTICE} answers"
        self._changed(Finding(Condition.ABSENT, why) if is_late else self._last)

    def end(self) -> None:
        self._button.end()
        self._thread.join(0.2)  # it is a daemon: an adapter that hangs holds nothing up
