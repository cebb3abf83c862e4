"""Two workers in one shared-subscription group (MQTT 5, section 4.8.2), one of them killed."""

from __future__ import annotations

import pytest

from skidhand.logbook import Logbook
from tests.faults.rig import until
from tests.ingest.broker_support import lasting_lines


def stored_by(book_file):
    """What each worker has brought to the store in its present life, by its last heartbeat."""
    with Logbook(str(book_file)) as book:
        return {beat.instance: beat.figures["stored"] for beat in book.heartbeats.all()}


@pytest.mark.broker
@pytest.mark.slow
def test_two_workers_share_and_a_kill_loses_and_doubles_nothing(mosquitto_factory, rig_on):
    """Both take a share; while one is dead the other goes on; when it is back, all that was sent is stored once.

    The dead one's share waits in its session at the broker, and what it had spooled waits in its spool.
    """
    server = mosquitto_factory(lasting_lines())
    one, other = (rig_on(server, worker=name, group="historian") for name in ("one", "other"))
    one.start()
    other.start()
    sender = other.sender()
    until(lambda: len(other.stored()) > 200, "messages flow")
    one.kill()
    at_kill = max(other.stored())
    until(lambda: max(other.stored()) > at_kill + 300, "the other goes on")
    waiting = set(range(int(at_kill) + 300)) - set(other.stored())
    one.start()
    other.audit(sender.finish())
    for rig in (one, other):
        rig.stop()
    assert len(waiting) > 50, "the killed worker had no share"
    shares = stored_by(one.book)
    assert set(shares) == {"one", "other"}
    assert min(shares.values()) > 2 * 50, shares
    assert len(other.batches()) == 2
