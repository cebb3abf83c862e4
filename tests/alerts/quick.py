"""A scene in memory, for tests that are about rules and not about databases."""

from __future__ import annotations

from contextlib import contextmanager

from alerts.channels.recording import RecordingChannel
from skidhand.fleet import parse_fleet
from skidhand.logbook import Logbook
from tests.alerts.conftest import Scene
from tests.alerts.helpers import FLEET, NOON

STEPS = FLEET.replace("escalation: {minutes: []}", "escalation: {minutes: [15, 30, 45], check_back: 120}")
THREE = STEPS.replace(
    "  duties:",
    '    - {id: kim, name: Kim Ashdown, phone: "+15550100003"}\n  duties:',
).replace("people: [robin, sasha]", "people: [robin, sasha, kim]")


class Phone(RecordingChannel):
    """Reaches a person by telephone; ``failing`` says why it does not."""

    name = "phone"
    address = "phone"


class Second(Phone):
    """Another way to the same telephone."""

    name = "second"


class Ring(Phone):
    """A call that wakes."""

    name = "ring"
    part = "ring"


@contextmanager
def acted(*channels, fleet: str = STEPS):
    """A scene over ``channels`` (one phone) with ``fleet`` in force."""
    with Logbook("sqlite://") as logbook:
        scene = Scene(logbook)
        scene.phone = channels[0] if channels else Phone()
        logbook.fleets.apply(parse_fleet(fleet), effective=NOON, who="test")
        scene.service = scene.start(*(channels or [scene.phone]))
        yield scene


def people(channel: RecordingChannel) -> list[str]:
    """Who was told over ``channel``, in order."""
    return [message.person for message in channel.sent]
