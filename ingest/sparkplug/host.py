"""The host application: who of several workers it is, by lease, and its own connection to the broker.

The connection is apart from the one for other formats: its order matters, so it never goes through a
shared group; its will tells gateways that we are gone; and a message that waits for its turn holds up
only the acknowledgements of others of its kind.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import structlog

from ingest.broker import BrokerSettings
from ingest.formats.base import Decoded
from ingest.inbox import Inbox, Message
from ingest.lookup import Lookup
from ingest.receiver import Receiver
from ingest.sparkplug.outgoing import Outgoing
from ingest.sparkplug.sessions import Sessions
from ingest.sparkplug.settings import SparkplugSettings
from skidhand.errors import LogbookError
from skidhand.logbook import Logbook
from skidhand.sparkplug.wire import NAMESPACE, state_topic

LEASE_S: Final = 60.0

log = structlog.get_logger(__name__)


class SparkplugHost:
    """Takes part in the worker's life: :meth:`keep` every few seconds, :meth:`stop` at the end.

    ``owner`` names this worker. While the logbook is away, a worker that is the host stays it, and one
    that has no fellows (no shared group) becomes it: ingest goes on. One with fellows waits.
    """

    def __init__(
        self,
        settings: SparkplugSettings,
        *,
        broker: BrokerSettings,
        inbox: Inbox,
        logbook: Callable[[], Logbook],
        lookup: Callable[[], Lookup],
        decode: Callable[[Message], Decoded],
        owner: str,
        on_crash: Callable[[Exception], None],
    ) -> None:
        self._settings, self._inbox, self._logbook, self._owner = settings, inbox, logbook, owner
        self._broker = replace(broker, group=None, client_id=f"skidhand-sparkplug-{settings.host_id}")
        self._alone, self._on_crash = broker.group is None, on_crash
        self._outgoing = Outgoing(settings)
        self._receiver: Receiver | None = None
        self._mutex, self._paused = threading.Lock(), False
        self.sessions = Sessions(
            settings,
            decode=decode,
            lookup=lookup,
            ask=self._outgoing.request_rebirth,
            state=self._outgoing.heard_state,
        )

    @property
    def trouble(self) -> str:
        """Why nothing arrives; empty when all is well, also when another worker is the host."""
        receiver = self._receiver
        return receiver.trouble if receiver is not None else ""

    def keep(self) -> None:
        """Become, stay or cease to be the host."""
        with self._mutex:
            if not self._paused:  # else the lease would be taken again that was just given back
                self._turn(mine=self._leased())

    def _turn(self, *, mine: bool) -> None:
        if mine and self._receiver is None:
            log.info("this worker is the Sparkplug host", host=self._settings.host_id)
            self._receiver = self._connection()
            self._receiver.start()
        elif not mine and self._receiver is not None:
            log.warning("another worker is the Sparkplug host now", host=self._settings.host_id)
            self._disconnect()

    def wait_subscribed(self, timeout: float) -> None:
        """As the receiver's; returns at once when another worker is the host."""
        if self._receiver is not None:
            self._receiver.wait_subscribed(timeout)

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Those of ``messages`` that came here."""
        receiver = self._receiver
        if receiver is not None:
            receiver.acknowledge(messages)

    def pause(self) -> None:
        """Leave what still arrives unacknowledged."""
        with self._mutex:
            self._paused = True
            if self._receiver is not None:
                self._receiver.pause()

    def stop(self) -> None:
        """Take leave of broker and lease."""
        self.pause()
        if self._receiver is not None:
            self._disconnect()
            try:
                for name in self._leases():
                    self._logbook().leases.release(name, self._owner)
            except LogbookError as error:
                log.warning("the Sparkplug lease is left to run out", reason=str(error))

    def _leases(self) -> list[str]:
        return [f"sparkplug:{group}" for group in sorted(self._settings.groups) or ("*",)]

    def _leased(self) -> bool:
        """True when every group is ours. Taken in order of name, so that of two workers one gets all."""
        try:
            leases = self._logbook().leases
            taken: list[str] = []
            for name in self._leases():
                if not leases.take(name, self._owner, LEASE_S):
                    for mine in taken:
                        leases.release(mine, self._owner)
                    return False
                taken.append(name)
        except LogbookError as error:
            log.warning("the logbook is away, the Sparkplug lease is not renewed", reason=str(error))
            return self._alone or self._receiver is not None
        return True

    def _connection(self) -> Receiver:
        groups = self._settings.groups
        filters = [f"{NAMESPACE}/{group}/#" for group in groups] or [f"{NAMESPACE}/#"]
        if groups:
            filters.append(state_topic(self._settings.host_id))
        return Receiver(
            settings=self._broker,
            client_id="",
            inbox=self._inbox,
            shared_filters=(),
            own_filters=filters,
            on_crash=self._on_crash,
            connecting=self._outgoing.connecting,
            listening=self._outgoing.listening,
        )

    def _disconnect(self) -> None:
        assert self._receiver is not None
        self._outgoing.leaving()
        self._receiver.leave()
        self._receiver = None
