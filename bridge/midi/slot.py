"""One configured input: its wire, its state, and the decisions of each look at it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from bridge.clocks import HostS
from bridge.config import Input
from bridge.midi.mailbox import Mailbox, Wake
from bridge.midi.parts import (
    CLIENT_NAME,
    Backend,
    MidiPortError,
    PortState,
    PortStatus,
    Source,
    Wire,
    ambiguity,
    changes,
    matching,
)
from bridge.midi.reader import Reader
from bridge.midi.stop import is_stop


class Slot:
    """Used by the watching thread; `mailbox` and `status` also by the loop's."""

    def __init__(
        self,
        config: Input,
        reader: Reader,
        on_message: Callable[[HostS, str, bytes], None],
        on_change: Callable[[HostS, str, PortState], None],
        wake: Wake,
    ) -> None:
        name = config.name
        self.config = config
        self.client = f"{CLIENT_NAME} {name}"
        self.mailbox = Mailbox(
            lambda at_s, message: on_message(at_s, name, message),
            lambda at_s, state: on_change(at_s, name, state),
            wake,
            is_stop=lambda message: is_stop(message, config.stop_controller, config.stop_note),
        )
        self._reader = reader
        self._wire: Wire | None = None
        self._source: Source | None = None
        self._known: frozenset[str] = frozenset()
        self._state = PortState.ABSENT
        self._note = ""

    @property
    def status(self) -> PortStatus:
        return PortStatus(self._state, tuple(sorted(self._known)), self._note, self.mailbox.dropped)

    @property
    def is_open(self) -> bool:
        return self._wire is not None

    def open(self, backend: Backend) -> None:
        """Opens our side. Raises MidiPortError."""
        virtual = self.config.virtual_port
        try:
            if virtual is not None:
                self._wire = backend.open_virtual(self.client, virtual)
            else:
                self._wire = backend.open_listener(self.client, self.config.name)
        except MidiPortError as error:
            self._note = str(error)
            raise
        self._note = ""
        self._reader.add(self._wire, self.mailbox)

    def look(
        self, at_s: HostS, sources: Sequence[Source] | None, own_clients: Collection[str]
    ) -> None:
        """Looks who is connected; with `sources`, hardware that is not is searched for."""
        if self._wire is None:
            return
        if self.config.virtual_port is not None:
            self._apply(at_s, self._wire.peers())
            return
        self._look_at_source(at_s, self._wire)
        if sources is not None:
            self._search(at_s, self._wire, sources, own_clients)

    def _look_at_source(self, at_s: HostS, wire: Wire) -> None:
        if self._source is not None:
            peers = wire.peers()
            # Whoever else connected himself to this port is not the one we watch.
            present = (peers or frozenset[str]()) & {self._source.id}
            if present or self._known:
                self._apply(at_s, present)
            if self._state is PortState.LOST:
                self._source = None

    def _search(
        self, at_s: HostS, wire: Wire, sources: Sequence[Source], own_clients: Collection[str]
    ) -> None:
        pattern = self.config.port_pattern or ""
        found = matching(sources, pattern, own_clients)
        self._note = ambiguity(found, pattern)
        if self._source is not None or not found:
            return
        # Not read meanwhile: some systems can only connect by opening the port anew.
        self._reader.remove(wire)
        try:
            wire.connect(found[0])
        except MidiPortError as error:
            self._note = str(error)
            return
        finally:
            self._reader.add(wire, self.mailbox)
        self._source = found[0]
        self._look_at_source(at_s, wire)

    def lose(self, at_s: HostS) -> None:
        """The MIDI service stopped answering: whoever was connected is lost."""
        if self._state in (PortState.CONNECTED, PortState.UNWATCHED):
            self._post(at_s, PortState.LOST)
        elif self._state is PortState.LISTENING:
            self._post(at_s, PortState.ABSENT)
        self._known = frozenset()

    def forget(self) -> None:
        """The service is gone and the wire with it: it is never read again."""
        if self._wire is not None:
            self._reader.remove(self._wire)
        self._wire = None
        self._source = None

    def _apply(self, at_s: HostS, peers: frozenset[str] | None) -> None:
        steps = changes(self._state, self._known, peers)
        if self._wire is not None and PortState.LOST in steps:
            # What the sender still got out must stand before its loss: a note-on behind it
            # would sound for ever.
            self._reader.flush(self._wire)
        self._known = peers or frozenset()
        for state in steps:
            self._post(at_s, state)

    def _post(self, at_s: HostS, state: PortState) -> None:
        self._state = state
        self.mailbox.put_change(at_s, state)
