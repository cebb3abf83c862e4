"""Why something was not taken: a closed list, counted by reason and never silent."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

SHOWN_LENGTH: Final = 80


class Reason(StrEnum):
    """Every reason for a refusal. What each means to the sender stands in MEANING."""

    UNKNOWN_SITE = "unknown-site"
    UNKNOWN_SKID = "unknown-skid"
    SITE_MISMATCH = "site-mismatch"
    UNKNOWN_TAG = "unknown-tag"
    UNKNOWN_ALIAS = "unknown-alias"
    BAD_ID = "bad-id"
    BAD_TOPIC = "bad-topic"
    WRONG_TYPE = "wrong-type"
    NOT_A_NUMBER = "not-a-number"
    BAD_STATUS = "bad-status"
    BAD_UNIT = "bad-unit"
    AMBIGUOUS_UNIT = "ambiguous-unit"
    BAD_TIME = "bad-time"
    TIME_OUT_OF_RANGE = "time-out-of-range"
    BAD_UTF8 = "bad-utf8"
    BAD_JSON = "bad-json"
    BAD_PROTOBUF = "bad-protobuf"
    BAD_SHAPE = "bad-shape"
    TOO_LARGE = "too-large"
    TOO_MANY_POINTS = "too-many-points"
    FORMAT_FAILED = "format-failed"


MEANING: Final[dict[Reason, str]] = {
    Reason.UNKNOWN_SITE: "the topic names a site that is not in the fleet file",
    Reason.UNKNOWN_SKID: "the topic names a skid that is not in the fleet file",
    Reason.SITE_MISMATCH: "the skid did not stand at that site at the sample's time",
    Reason.UNKNOWN_TAG: "the skid has no instrument of that tag or alias",
    Reason.UNKNOWN_ALIAS: "a Sparkplug metric has an alias for its name, and no birth in force tells what it means",
    Reason.BAD_ID: "a site, skid or tag is no id at all: quotes, newlines, formulas, too long",
    Reason.BAD_TOPIC: "no payload format takes that topic",
    Reason.WRONG_TYPE: "the value is text, a list or an object instead of a number, true, false or null",
    Reason.NOT_A_NUMBER: "the value is NaN, infinite or too large for a 64-bit float",
    Reason.BAD_STATUS: "the status is no OPC UA StatusCode (integer 0 to 4294967295), or has no value beside it",
    Reason.BAD_UNIT: "the value's unit is unknown, or cannot be turned into the one that the fleet file declares",
    Reason.AMBIGUOUS_UNIT: "ppm in water above 10 g/L of salt, without `basis` (mass or volume) in the fleet file",
    Reason.BAD_TIME: "the time is neither RFC 3339 with an offset nor epoch milliseconds (SenML: no number of seconds)",
    Reason.TIME_OUT_OF_RANGE: "the time is before the year 2000, or more than a day ahead of its receipt",
    Reason.BAD_UTF8: "the payload is not UTF-8",
    Reason.BAD_JSON: "the payload is not JSON",
    Reason.BAD_PROTOBUF: "the payload is not Sparkplug B's protobuf",
    Reason.BAD_SHAPE: "the payload is not built as its format asks (see there), or its version is unknown",
    Reason.TOO_LARGE: "the payload is larger than 1 MB",
    Reason.TOO_MANY_POINTS: "one message holds more than 10,000 values",
    Reason.FORMAT_FAILED: "the payload format itself failed: a defect of the program or plug-in, see the log",
}


@dataclass(frozen=True, slots=True)
class Refusal:
    """One line of the refusal log: of one message, all that was refused for one reason."""

    reason: Reason
    count: int  # samples; 1 for a message that could not be read at all
    detail: str  # the first of them


@dataclass(slots=True)
class Tally:
    """Refusals of one message, one per reason, so that no message can make many."""

    by_reason: dict[Reason, Refusal] = field(default_factory=dict)

    def add(self, reason: Reason, detail: str, count: int = 1) -> None:
        """Count ``count`` more; the first detail of a reason is kept."""
        if count > 0:
            before = self.by_reason.get(reason)
            self.by_reason[reason] = (
                Refusal(reason, count, detail)
                if before is None
                else Refusal(reason, before.count + count, before.detail)
            )

    @property
    def total(self) -> int:
        """How much was refused, over all reasons."""
        return sum(refusal.count for refusal in self.by_reason.values())


def shown(value: object) -> str:
    """``value`` in a message: quoted, escaped and short, whatever it is."""
    if isinstance(value, str):
        return ascii(value if len(value) <= SHOWN_LENGTH else value[:SHOWN_LENGTH] + "…")
    if isinstance(value, int) and value.bit_length() > 64:
        return f"an integer of {value.bit_length()} bits"  # Python refuses to print the very long ones
    if value is None or isinstance(value, bool | int | float):
        return repr(value)
    return f"a {type(value).__name__}"  # not its content: printing deep nesting exhausts the stack
