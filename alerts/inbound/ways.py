"""Opens every way in which answers come, as settings and channels say."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager

from alerts.channels.base import Channel
from alerts.channels.sms_modem import SmsModemChannel
from alerts.inbound.desk import Desk
from alerts.inbound.modem import Inbox
from alerts.inbound.server import Listening
from skidhand.clock import Clock
from skidhand.logbook import Logbook


@contextmanager
def inbound(
    listen: str | None, channels: Sequence[Channel], logbook: Logbook, clock: Clock, instance: str
) -> Iterator[Callable[[], None]]:
    """The listener (where ``listen`` says), and the inbox of each modem, while the block lasts.

    Gives what is to be called now and then: it tells the logbook that the listener lives.
    """
    desk = Desk(logbook, clock)
    with ExitStack() as open_ways:
        listening = open_ways.enter_context(Listening(listen, logbook, desk, instance)) if listen else None
        for channel in channels:
            if isinstance(channel, SmsModemChannel) and channel.inbox is not None:
                open_ways.enter_context(Inbox(channel.inbox, desk, channel.reply))
        yield listening.beat if listening else lambda: None
