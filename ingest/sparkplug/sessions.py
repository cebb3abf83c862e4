"""All edge nodes that are heard: finds each message's node, and keeps what is kept of them bounded."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

import structlog

from ingest.formats.base import Decoded
from ingest.inbox import Message
from ingest.lookup import Lookup
from ingest.reasons import Reason, shown
from ingest.sparkplug.edge import Arrival, Edge
from ingest.sparkplug.order import InOrder
from ingest.sparkplug.settings import SparkplugSettings
from skidhand.clock import monotonic
from skidhand.sparkplug.wire import NAMESPACE, Topic

MOST_EDGES: Final = 2_000
"""So many nodes are remembered. Of further ones only what names its metrics in full can be read."""

log = structlog.get_logger(__name__)


class Sessions:
    """Called by the worker's thread alone. ``decode``: reads one message. ``ask``: (group, edge node) → request
    a rebirth. ``state``: takes what is said on a host's STATE topic.

    A message is worked off when :meth:`take` or :meth:`due` gives it back, with its readings; it may be
    acknowledged when :meth:`settled` gives it back. Messages of other formats are settled at once.
    """

    def __init__(
        self,
        settings: SparkplugSettings,
        *,
        decode: Callable[[Message], Decoded],
        lookup: Callable[[], Lookup],
        ask: Callable[[str, str], None],
        state: Callable[[str, bytes], None] = lambda _topic, _payload: None,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        self._settings, self._decode, self._lookup = settings, decode, lookup
        self._request, self._state, self._clock = ask, state, clock
        self._edges: dict[tuple[str, str], Edge] = {}
        self._asked: dict[tuple[str, str], float] = {}
        self._order = InOrder()

    def take(self, message: Message) -> list[Arrival]:
        """What is worked off now that ``message`` has come; it may be among it, or wait."""
        self._order.came(message)
        if message.topic.startswith(f"{NAMESPACE}/STATE/"):
            self._state(message.topic, message.payload)
            return [Arrival(message, Decoded())]
        decoded = self._decode(message)
        if decoded.packet is None:
            return [Arrival(message, decoded)]
        topic = decoded.packet.topic
        if topic.group not in self._lookup().sites:
            count = max(1, len(decoded.packet.metrics))
            decoded.refused.add(Reason.UNKNOWN_SITE, f"no site {shown(topic.group)} in the fleet", count)
            return [Arrival(message, decoded)]
        edge = self._edge(topic)
        worked = edge.take(Arrival(message, decoded), self._clock())
        if edge.silent:
            self._edges.pop((topic.group, topic.edge), None)
        return worked

    def due(self) -> list[Arrival]:
        """What is worked off because nothing more is waited for."""
        now = self._clock()
        worked = [item for edge in self._edges.values() for item in edge.tick(now)]
        if worked:
            self._edges = {key: edge for key, edge in self._edges.items() if not edge.silent}
        return worked

    def give_up(self) -> list[Arrival]:
        """All that waits; for the end."""
        return [item for edge in self._edges.values() for item in edge.give_up()]

    def settled(self, messages: Iterable[Message]) -> list[Message]:
        """``messages`` are on the disk; gives those that may be acknowledged, in the order in which they came."""
        ours = [message for message in messages if message.topic.startswith(f"{NAMESPACE}/")]
        others = [message for message in messages if not message.topic.startswith(f"{NAMESPACE}/")]
        return others + self._order.done(ours)

    def _edge(self, topic: Topic) -> Edge:
        key = (topic.group, topic.edge)
        if key not in self._edges:
            edge = Edge(self._settings.reorder_s, self._lookup, lambda: self._ask(key))
            if len(self._edges) >= MOST_EDGES:
                return Edge(0.0, self._lookup, lambda: None)
            self._edges[key] = edge
        return self._edges[key]

    def _ask(self, key: tuple[str, str]) -> None:
        """Ask for a rebirth, unless it was asked for just now."""
        now = self._clock()
        last = self._asked.get(key)
        if last is not None and now - last < self._settings.rebirth_pause_s:
            return
        if len(self._asked) >= MOST_EDGES:
            self._asked.clear()
        self._asked[key] = now
        log.info("births are asked for", group=key[0], edge_node=key[1])
        self._request(*key)
