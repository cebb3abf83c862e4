"""One edge node: its life from birth to death, its devices, and its messages in their order."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from ingest.formats.base import Decoded
from ingest.formats.sparkplug_packet import Packet
from ingest.inbox import Message
from ingest.lookup import Lookup
from ingest.reasons import Reason, shown
from ingest.sparkplug.births import Birth, readings, silence, skid_of
from ingest.sparkplug.order import Window
from skidhand.sparkplug.wire import Kind


class Arrival(NamedTuple):
    """A message and what was read of it; its readings are added when its turn comes."""

    message: Message
    decoded: Decoded

    @property
    def packet(self) -> Packet:
        """The Sparkplug message in it."""
        assert self.decoded.packet is not None
        return self.decoded.packet


class Edge:
    """Turns one edge node's messages into readings. ``ask`` is called when only its births can help.

    Every arrival is given back once, by :meth:`take`, :meth:`tick` or :meth:`give_up`, when it is worked off.
    """

    def __init__(self, wait_s: float, lookup: Callable[[], Lookup], ask: Callable[[], None]) -> None:
        self._lookup, self._ask = lookup, ask
        self._window: Window[Arrival] = Window(wait_s)
        self._births: dict[str | None, Birth] = {}  # by device; None: the edge node's own
        self._bdseq: int | None = None
        self._connection: int | None = None
        self.born = False

    @property
    def silent(self) -> bool:
        """True when there is nothing to remember: it has no birth in force, and nothing waits."""
        return not (self.born or self._births or len(self._window))

    def take(self, arrival: Arrival, now: float) -> list[Arrival]:
        """What is worked off now that ``arrival`` is here, in order."""
        before = self._listen(arrival.message.connection)
        packet = arrival.packet
        match packet.topic.kind:
            case Kind.NCMD | Kind.DCMD:
                return [*before, arrival]  # somebody's order to the node, our own too
            case Kind.NBIRTH:
                return before + self._node_birth(arrival, now)
            case Kind.NDEATH:
                return before + self._node_death(arrival)
        assert packet.seq is not None  # the format sees to it
        return before + [self._work(item) for item in self._window.put(packet.seq, arrival, now)]

    def tick(self, now: float) -> list[Arrival]:
        """What is worked off now because what was missing has not come in time."""
        if not self._window.overdue(now):
            return []
        self._ask()
        return self.give_up()

    def give_up(self) -> list[Arrival]:
        """All that waits, worked off as it stands: something before it is missing, so its aliases are in doubt."""
        if len(self._window):
            self._doubt()
        return [self._work(item) for item in self._window.give_up()]

    def _doubt(self) -> None:
        for birth in self._births.values():
            birth.certain = False

    def _listen(self, connection: int) -> list[Arrival]:
        """On a new connection to the broker anything may have been missed meanwhile."""
        if connection == self._connection:
            return []
        waiting = self.give_up() if self._connection is not None else []
        self._connection = connection
        self._doubt()
        self._window.restart(None)
        return waiting

    def _node_birth(self, arrival: Arrival, now: float) -> list[Arrival]:
        """A new session. What was held and is older belongs to the one before; what is younger follows it."""
        packet = arrival.packet
        born_us = packet.time_us or 0
        held = self._window.restart(packet.seq)
        older = [item for item in held if (item.packet.time_us or 0) < born_us]
        younger = [item for item in held if (item.packet.time_us or 0) >= born_us]
        if older:
            self._doubt()
        worked = [self._work(item) for item in older]
        self._births = {None: Birth(packet)}
        self._bdseq, self.born = packet.bdseq, True
        worked.append(self._work(arrival))
        for item in younger:
            assert item.packet.seq is not None
            worked += [self._work(ready) for ready in self._window.put(item.packet.seq, item, now)]
        return worked

    def _node_death(self, arrival: Arrival) -> list[Arrival]:
        """The node and all its devices fall silent, if it is this session that died [bdSeq]."""
        worked = self.give_up()
        told = arrival.packet.bdseq
        if self.born and (told is None or self._bdseq is None or told == self._bdseq):
            for device in list(self._births):
                self._fall_silent(arrival, device)
            self.born = False
            self._window.restart(None)
        return [*worked, arrival]

    def _work(self, arrival: Arrival) -> Arrival:
        """Add the readings of a birth, of data or of a device's death."""
        packet, device = arrival.packet, arrival.packet.topic.device
        if packet.topic.kind is Kind.DDEATH:
            self._fall_silent(arrival, device)
            return arrival
        if device is not None and device not in self._lookup().assets:  # nothing is kept of it
            count = max(1, len(packet.metrics))
            arrival.decoded.refused.add(Reason.UNKNOWN_SKID, f"no skid {shown(device)} in the fleet", count)
            return arrival
        if packet.topic.kind is Kind.DBIRTH:
            self._births[device] = Birth(packet)
        birth = self._births.get(device)
        if not self.born or birth is None or not birth.certain:
            self._ask()
        arrival.decoded.readings += readings(packet, birth, arrival.decoded.refused)
        return arrival

    def _fall_silent(self, arrival: Arrival, device: str | None) -> None:
        birth = self._births.pop(device, None)
        skid = device or skid_of(arrival.packet)
        asset = self._lookup().assets.get(skid)
        if birth is not None and asset is not None:
            arrival.decoded.readings += silence(arrival.packet, skid, birth, asset.codes.keys())
