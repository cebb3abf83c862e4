"""The broker is ended by SIGKILL in full flow. Two promises are audited apart: ingest's and the broker's own."""

from __future__ import annotations

import time

import pytest

from tests.faults.rig import until
from tests.support.mosquitto import shipped_lines

KILLS = 3
WINDOW = 100
"""Messages that mosquitto can acknowledge in one turn of its loop before it saves: the sender's window in flight."""


@pytest.mark.broker
@pytest.mark.slow
def test_what_ingest_acknowledged_outlives_the_broker(mosquitto_factory, rig_on, capsys):
    """0 of what ingest had acknowledged is lost; of what only the broker had, at most its stated window per kill.

    The gateway sends again what the broker had not confirmed to it, so that what is missing in the end is
    what the broker confirmed and forgot; the number is printed (not by parallel workers: ``-n 0``).
    """
    rig = rig_on(mosquitto_factory(shipped_lines()))
    rig.start()
    sender = rig.sender(pause_s=0.01)
    safe: set[float] = set()
    for _ in range(KILLS):
        seen = len(rig.stored())
        until(lambda seen=seen: len(rig.stored()) > seen + 50, "messages flow")
        connections = rig.connections()
        rig.server.kill()
        safe |= set(rig.stored())
        rig.server.start()
        until(lambda connections=connections: rig.connections() > connections, "ingest comes back")
    sent = sender.finish()
    quiet = time.monotonic() + 2.0
    count = len(rig.stored())
    while time.monotonic() < quiet:  # until nothing more has come for two seconds
        time.sleep(0.2)
        if (now := len(rig.stored())) != count:
            count, quiet = now, time.monotonic() + 2.0
    stored = set(rig.stored())
    assert safe <= stored
    lost = {number for number in range(sent) if float(number) not in stored}
    with capsys.disabled():
        print(f"\nbroker killed {KILLS} times in {sent} messages: it forgot {len(lost)} that it had taken")  # noqa: T201
    assert len(lost) <= KILLS * WINDOW
    rig.audit(sent, lost)
    rig.stop()
