"""Ingest is ended by SIGKILL at random moments while a gateway goes on sending."""

from __future__ import annotations

import os
import random
import time

import pytest

from tests.ingest.broker_support import lasting_lines

KILLS = int(os.environ.get("SKIDHAND_KILLS", "100"))
SEED = int(os.environ.get("SKIDHAND_KILL_SEED", "1"))


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.timeout(200 + 3 * KILLS)
def test_kills_lose_nothing_and_double_nothing(mosquitto_factory, rig_on, capsys):
    """After a hundred kills, most in full flow, every message that the broker took is in the store, each batch once.

    A message that was spooled but not yet acknowledged when the kill came is sent again and stored under
    the same key with its later receive time; a batch that the drain repeated would carry the same one.
    ``make kills`` asks for more, or others (``SKIDHAND_KILLS``, ``SKIDHAND_KILL_SEED``); the count is printed (not by
    parallel workers: ``-n 0``).
    """
    rig = rig_on(mosquitto_factory(lasting_lines()))
    rig.start()  # the broker must know the session before the first message, or it has nobody to keep it for
    sender = rig.sender()
    rig.kill()
    moments = random.Random(SEED)
    for life in range(1, KILLS):
        rig.start(wait=bool(life % 4))
        time.sleep(moments.uniform(0.0, 0.3))
        rig.kill()
    sent = sender.finish()
    rig.start()
    assert sent > 10 * KILLS
    rig.audit(sent)
    rig.stop()
    with capsys.disabled():
        print(f"\ningest killed {KILLS} times in {sent} messages: 0 lost, 0 doubled")  # noqa: T201 - audited above
