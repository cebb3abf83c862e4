"""What a birth certificate says of one device, and the readings that follow from data, with its help."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from typing import Final

from ingest.formats.base import Reading
from ingest.formats.sparkplug_packet import Metric, Packet
from ingest.reasons import Reason, Tally
from skidhand.model.quality import BAD, GOOD, UNCERTAIN, UNCERTAIN_LAST_USABLE
from skidhand.sparkplug.wire import QUALITY_BAD, QUALITY_GOOD, QUALITY_STALE, number_of

# OPC 10000-8 (IEC 62541-8): there is no communication with the source and never a last value for it.
BAD_NO_COMMUNICATION: Final = 0x80310000

STATUS: Final = {QUALITY_GOOD: GOOD, QUALITY_BAD: BAD, QUALITY_STALE: UNCERTAIN_LAST_USABLE}
"""The specification's three quality codes as OPC UA StatusCodes."""

HOUSEKEEPING: Final = ("Node Control/", "Device Control/", "Properties/")
"""Folders of metrics that control or describe the gateway; they are no measurements, and nobody's loss."""


class Birth:
    """Names and data types of one device's metrics, or of the edge node's own.

    ``certain`` is False once something may have been missed that could have changed them.
    """

    def __init__(self, packet: Packet) -> None:
        named = [metric for metric in packet.metrics if metric.name is not None]
        self.names = {metric.alias: metric.name for metric in named if metric.alias is not None}
        self.types = {metric.name: metric.datatype for metric in named}
        self.certain = True

    def explains(self, packet: Packet) -> bool:
        """True when every metric of ``packet`` has a name, its own or by its alias."""
        return all(metric.name is not None or metric.alias in self.names for metric in packet.metrics)

    def measured(self) -> list[str]:
        """The names that are no housekeeping."""
        return [name for name in self.types if name is not None and not name.startswith(HOUSEKEEPING)]


def readings(packet: Packet, birth: Birth | None, refused: Tally, *, certain: bool) -> list[Reading]:
    """The values of a birth or of data: one reading a time; what cannot be understood goes to ``refused``.

    ``certain``: ``birth`` is known to have been in force when the values were sent.
    """
    found: list[Reading] = []
    at: dict[int, Reading] = {}
    for metric in packet.metrics:
        name = _name(metric, birth, refused)
        if name is None or name.startswith(HOUSEKEEPING):
            continue
        time_us = metric.time_us if metric.time_us is not None else packet.time_us
        if time_us is None:
            refused.add(Reason.BAD_TIME, f"{metric.told()} has no time, nor has its message")
            continue
        try:
            value = _value(metric, name, birth)
        except ValueError as error:
            refused.add(Reason.WRONG_TYPE, f"{metric.told()}: {error}")
            continue
        if time_us not in at or name in at[time_us].values:
            at[time_us] = Reading(packet.topic.group, skid_of(packet), time_us, {}, {})
            found.append(at[time_us])
        _add(at[time_us], name, value, _status(metric, certain=certain))
    short = short_names(name for reading in found for name in reading.values)
    for reading in found:
        reading.short_names = short
    return found


def silence(packet: Packet, skid: str, birth: Birth, known: Collection[str]) -> list[Reading]:
    """At a death: for each metric that the fleet knows, no value and the reason; at the time of receipt.

    A device's death carries its own time. A node's will was written when it connected, so its does not tell.
    """
    short = short_names(birth.measured())
    names = [name for name in birth.measured() if name in known or short.get(name) in known]
    time_us = packet.time_us if packet.topic.device is not None else None
    values = dict.fromkeys(names)
    status = dict.fromkeys(names, BAD_NO_COMMUNICATION)
    relative = time_us is None
    dead = Reading(packet.topic.group, skid, time_us or 0, values, status, relative, short_names=short)
    return [dead] if names else []


def skid_of(packet: Packet) -> str:
    """The device; for the edge node's own metrics the node itself, which may be a skid's controller."""
    return packet.topic.device or packet.topic.edge


def short_names(names: Iterable[str]) -> Mapping[str, str]:
    """Each name's part after its folders, unless two names share it: then it names neither."""
    last = {name: name.rpartition("/")[2] for name in set(names)}
    owners = Counter(last.values())
    return {name: short for name, short in last.items() if short and owners[short] == 1}


def _name(metric: Metric, birth: Birth | None, refused: Tally) -> str | None:
    if metric.name is not None:
        return metric.name
    name = birth.names.get(metric.alias) if birth is not None and metric.alias is not None else None
    if name is None:
        refused.add(Reason.UNKNOWN_ALIAS, metric.told())
    return name


def _value(metric: Metric, name: str, birth: Birth | None) -> float | int | bool | None:
    if metric.is_null:
        return None
    datatype = metric.datatype
    if datatype is None and birth is not None:
        datatype = birth.types.get(name)
    return number_of(metric.field, metric.raw, datatype)


def _status(metric: Metric, *, certain: bool) -> object:
    """The metric's StatusCode; in doubt when its alias may have had another meaning."""
    if not isinstance(metric.quality, int) or metric.quality not in STATUS:
        return f"Sparkplug quality {metric.quality}"  # for the judge to refuse, as any code that is none
    status = STATUS[metric.quality]
    return UNCERTAIN if metric.name is None and not certain and status == GOOD else status


def _add(reading: Reading, name: str, value: object, status: object) -> None:
    assert isinstance(reading.values, dict)
    assert isinstance(reading.status, dict)
    reading.values[name] = value
    if status != GOOD:
        reading.status[name] = status
