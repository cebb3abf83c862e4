"""One Sparkplug message, read but not yet understood: what it means hangs on the birth certificates before it."""

from __future__ import annotations

from dataclasses import dataclass

from skidhand.sparkplug.wire import Topic


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric as sent. ``field`` and ``raw``: the payload's value field that is set, and what it holds."""

    name: str | None
    alias: int | None
    time_us: int | None
    datatype: int | None
    is_null: bool
    field: str | None
    raw: object
    quality: object = 192  # the specification's code; anything else a sender gives is for the judge to refuse

    def told(self) -> str:
        """What the sender calls it."""
        return repr(self.name) if self.name is not None else f"alias {self.alias}"


@dataclass(frozen=True, slots=True)
class Packet:
    """One message of an edge node. ``metrics`` holds neither bdSeq (see ``bdseq``) nor transient ones."""

    topic: Topic
    seq: int | None  # 0 to 255; None in commands and node deaths alone
    time_us: int | None  # when it was sent, by the sender's clock
    bdseq: int | None
    metrics: tuple[Metric, ...]
