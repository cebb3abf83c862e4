"""What a payload format promises. One contract suite (tests/ingest/test_formats.py) runs over every member.

A format turns one message into readings and touches nothing else: no fleet, clock, store or state. What
it cannot read it counts as refused; what it can read it gives on as it stands, for the judge to judge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, runtime_checkable

from ingest.formats.sparkplug_packet import Packet
from ingest.reasons import Tally


@dataclass(slots=True)
class Reading:
    """The values that one skid gave for one moment, as sent.

    ``values``: name on the wire → number, bool or None (anything else is for the judge to refuse).
    ``status``: name on the wire → OPC UA StatusCode; a name that is absent is Good.
    ``units``: name on the wire → UCUM code of its value, for formats that carry units; a name that is
    absent is in the unit that the fleet file declares.
    ``short_names``: name on the wire → the name to look for where the fleet does not know it whole.
    """

    site: str
    skid: str
    time_us: int  # source time, microseconds since the Unix epoch, UTC; or since receipt, if ``relative``
    values: Mapping[str, object]
    status: Mapping[str, object] = field(default_factory=dict)
    relative: bool = False
    units: Mapping[str, str] | None = None
    short_names: Mapping[str, str] | None = None

    def received_at(self, received_us: int) -> Reading:
        """This reading with its time since the epoch, now that its receive time is known."""
        return replace(self, time_us=received_us + self.time_us, relative=False) if self.relative else self


@dataclass(slots=True)
class Decoded:
    """What one message held: its readings, and what of it could not be read.

    ``packet``: the message of a format whose messages mean something only after those before them. The
    session of :mod:`ingest.sparkplug` makes readings of it.
    """

    readings: list[Reading] = field(default_factory=list)
    refused: Tally = field(default_factory=Tally)
    packet: Packet | None = None


@runtime_checkable
class Format(Protocol):
    """One payload format. Its module exports an instance as ``PLUGIN``.

    One whose messages count only in their order says ``ordered = True``: they never go through a shared
    group, which gives each worker a part.
    """

    name: str
    """Unique, lower case, as ``skidhand plugins`` lists it."""

    topics: tuple[str, ...]
    """MQTT topic filters of the messages that it takes."""

    def decode(self, topic: str, payload: bytes) -> Decoded:
        """Read one message; pure, and never raises for anything that a sender can send."""
        ...
