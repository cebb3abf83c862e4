"""One edge node: its life from birth to death, its devices, and its messages in their order."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from ingest.formats.base import Decoded
from ingest.formats.sparkplug_packet import Packet
from ingest.inbox import Message
from ingest.lookup import Lookup
from ingest.reasons import Reason, shown
from ingest.sparkplug.births import Birth, readings, silence, skid_of
from ingest.sparkplug.order import MOST_HELD, Window
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
        self._lookup, self._ask, self._wait_s = lookup, ask, wait_s
        self._window: Window[Arrival] = Window(wait_s)
        self._parked: deque[tuple[float, Arrival]] = deque()  # since when, what has no birth to explain it
        self._births: dict[str | None, Birth] = {}  # by device; None: the edge node's own
        self._bdseq: int | None = None
        self._connection: int | None = None
        self.born = False

    @property
    def silent(self) -> bool:
        """True when there is nothing to remember: it has no birth in force, and nothing waits."""
        return not (self.born or self._births or len(self._window) or self._parked)

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
        return before + self._in_turn(self._window.put(packet.seq, arrival, now), now)

    def tick(self, now: float) -> list[Arrival]:
        """What is worked off now because what it waited for has not come in time."""
        worked: list[Arrival] = []
        if self._window.overdue(now):
            self._ask()
            self._doubt()
            worked = self._in_turn(self._window.give_up(), now)
        while self._parked and (now - self._parked[0][0] >= self._wait_s or len(self._parked) > MOST_HELD):
            worked.append(self._work(self._parked.popleft()[1]))
        return worked

    def give_up(self) -> list[Arrival]:
        """All that waits, worked off as it stands: something before it is missing, so its aliases are in doubt."""
        if len(self._window):
            self._doubt()
        waiting = [item for _, item in self._parked] + self._window.give_up()
        self._parked.clear()
        return [self._work(item) for item in waiting]

    def _in_turn(self, items: Iterable[Arrival], now: float) -> list[Arrival]:
        """Work off ``items``, save data that only a birth can explain: it waits, and a birth lets it go."""
        worked: list[Arrival] = []
        for item in items:
            if self._wait_s > 0 and self._needs_a_birth(item.packet):
                self._ask()
                self._parked.append((now, item))
                continue
            worked.append(self._work(item))
            if item.packet.topic.kind is Kind.DBIRTH:
                worked += self._explained(item.packet.topic.device)
        return worked

    def _needs_a_birth(self, packet: Packet) -> bool:
        """True for data that has aliases of which a birth that is still to come may tell the meaning."""
        device, birth = packet.topic.device, self._births.get(packet.topic.device)
        if packet.topic.kind not in (Kind.NDATA, Kind.DDATA):
            return False
        if device is not None and device not in self._lookup().assets:
            return False
        if birth is None:
            return any(metric.name is None for metric in packet.metrics)
        return not birth.certain and not birth.explains(packet)

    def _explained(self, device: str | None) -> list[Arrival]:
        """Work off what waited for this device's birth; whether the same was in force before it is in doubt."""
        mine = [item for _, item in self._parked if item.packet.topic.device == device]
        self._parked = deque(entry for entry in self._parked if entry[1].packet.topic.device != device)
        return [self._work(item, certain=False) for item in mine]

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
        worked += [self._work(arrival), *self._explained(None)]
        for item in younger:
            assert item.packet.seq is not None
            worked += self._in_turn(self._window.put(item.packet.seq, item, now), now)
        return worked

    def _node_death(self, arrival: Arrival) -> list[Arrival]:
        """The node and all its devices fall silent, if this is the life that ended [bdSeq]."""
        worked = self.give_up()
        told = arrival.packet.bdseq
        if self.born and (told is None or self._bdseq is None or told == self._bdseq):
            for device in list(self._births):
                self._fall_silent(arrival, device)
            self.born = False
            self._window.restart(None)
        return [*worked, arrival]

    def _work(self, arrival: Arrival, *, certain: bool = True) -> Arrival:
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
        if not self.born or birth is None or not birth.certain or not birth.explains(packet):
            self._ask()
        certain = certain and birth is not None and birth.certain
        arrival.decoded.readings += readings(packet, birth, arrival.decoded.refused, certain=certain)
        return arrival

    def _fall_silent(self, arrival: Arrival, device: str | None) -> None:
        birth = self._births.pop(device, None)
        skid = device or skid_of(arrival.packet)
        asset = self._lookup().assets.get(skid)
        if birth is not None and asset is not None:
            arrival.decoded.readings += silence(arrival.packet, skid, birth, asset.codes.keys())
