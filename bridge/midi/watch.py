"""The thread that opens ports, looks who is connected, and notices loss and return."""

from __future__ import annotations

import threading
from collections.abc import Callable

from bridge.clocks import HostS
from bridge.midi.backends import open_backend
from bridge.midi.parts import Backend, Health, MidiPortError
from bridge.midi.reader import Reader
from bridge.midi.slot import Slot

Ready = Callable[[BaseException | None], object]


class Watch:
    """Owns the backend: it is opened, used and closed in this one thread."""

    def __init__(
        self,
        slots: list[Slot],
        reader: Reader,
        clock: Callable[[], HostS],
        *,
        rescan_s: float,
        watch_s: float,
        api: str | None,
    ) -> None:
        self._slots = slots
        self._reader = reader
        self._clock = clock
        self._rescan_s = rescan_s
        self._watch_s = watch_s
        self._api = api
        self._own = frozenset(slot.client for slot in slots)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, ready: Ready) -> None:
        """Starts the thread; `ready` is told, in that thread, how the first opening went."""
        self._thread = threading.Thread(
            target=self._run, args=(ready,), name="midi-watch", daemon=True
        )
        self._thread.start()

    def _run(self, ready: Ready) -> None:
        try:
            backend = open_backend(self._api)
        except BaseException as error:
            ready(error)
            return
        try:
            try:
                self._first_round(backend)
            except BaseException as error:
                ready(error)
                return
            self._reader.start()
            ready(None)
            try:
                self._rounds(backend)
            except BaseException:
                # Nobody watches any more: better silent than sounding unwatched.
                for slot in self._slots:
                    slot.lose(self._clock())
                raise
        finally:
            self._reader.stop()
            for slot in self._slots:
                slot.forget()
            backend.close()

    def _first_round(self, backend: Backend) -> None:
        for slot in self._slots:
            slot.open(backend)
        self._look(backend, scan=True)

    def _rounds(self, backend: Backend) -> None:
        next_scan_s = self._clock() + self._rescan_s
        while not self._stop.wait(self._watch_s):
            if not self._reader.is_alive:
                raise RuntimeError("the thread that reads MIDI input has ended")
            now_s = self._clock()
            scan = now_s >= next_scan_s
            if scan:
                next_scan_s = now_s + self._rescan_s
            match backend.health():
                case Health.ALIVE:
                    self._look(backend, scan=scan)
                case Health.FROZEN:
                    # Its clients are still ours, and go on if it thaws.
                    for slot in self._slots:
                        slot.lose(now_s)
                case Health.GONE:
                    for slot in self._slots:
                        slot.lose(now_s)
                        slot.forget()
                    if scan and backend.reopen():
                        self._look(backend, scan=True)

    def _look(self, backend: Backend, *, scan: bool) -> None:
        sources = backend.sources() if scan else None
        for slot in self._slots:
            if scan and not slot.is_open:
                try:
                    slot.open(backend)
                except MidiPortError:
                    continue  # its note says why; tried again at the next scan
            slot.look(self._clock(), sources, self._own)

    def stop(self, timeout_s: float) -> bool:
        """Ends the thread and closes the ports; False if it did not end in time."""
        self._stop.set()
        if self._thread is None:
            return True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()
