"""What a lake's commits say beside their rows: who landed what, which spans changed, and what each day holds.

Each append commit carries ``{"batch": [writer, number, digest], "spans": packed, "days": sums}``, so the commit
that brings late rows also says of which days they are; a rollup made before it is stale. A merge carries
``{"gone": [day, rows, hashes]}``, and retention beside that ``{"expired": packed}``. Commits are cleaned
away after a while, so tidy first writes a commit that carries the whole ledger up to a version. A reader that
starts anew takes the newest carry and the commits after its base; afterwards it only reads what is new.
"""

from __future__ import annotations

import base64
import copy
import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from skidhand.errors import StoreError
from skidhand.stores.base import Batch, Landed, Span
from skidhand.stores.lake_sums import Sum, pack_sums
from skidhand.stores.rows import merge_spans

_PLAIN: Final = 1000
"""Longest span text that is kept readable; series ids repeat themselves, so zlib takes off some 80 %."""

REACH: Final = 512
"""Commits that a new reader looks back for a carry at first."""

Marks = Sequence[tuple[int, Mapping[str, Any]]]


def pack(value: Any) -> str:
    """JSON text of an object or list, or that compressed and in base64 where it is long."""
    text = json.dumps(value)
    return text if len(text) <= _PLAIN else base64.b64encode(zlib.compress(text.encode())).decode()


def unpack(packed: str) -> Any:
    """The opposite of :func:`pack`."""
    return json.loads(packed if packed[:1] in ("{", "[") else zlib.decompress(base64.b64decode(packed)))


def pack_spans(spans: Mapping[str, Span]) -> str:
    """``{"series": [first µs, last − first µs]}``, packed."""
    return pack({s: [p.first_us, p.last_us - p.first_us] for s, p in spans.items()})


def unpack_spans(packed: str) -> dict[str, Span]:
    """The opposite of :func:`pack_spans`."""
    return {series: Span(first, first + length) for series, (first, length) in unpack(packed).items()}


def batch_mark(batch: Batch, spans: Mapping[str, Span], days: Mapping[int, Sum]) -> dict[str, Any]:
    """What an append commit carries."""
    mark = [batch.writer, batch.number, batch.digest]
    return {"batch": mark, "spans": pack_spans(spans), "days": pack_sums(days)}


def changed_spans(marks: Marks) -> dict[str, Span]:
    """The spans that these commits changed; compaction and carry commits change nothing."""
    spans: dict[str, Span] = {}
    for _, mark in marks:
        if "batch" in mark:
            merge_spans(spans, unpack_spans(mark["spans"]).items())
    return spans


@dataclass(slots=True)
class Ledger:
    """The state up to and with ``version``; −1 before the first commit. Days count from the UTC epoch."""

    version: int = -1
    carried: int = -1  # base of the newest carry that was seen
    writers: dict[str, Landed] = field(default_factory=dict)
    spans: dict[str, Span] = field(default_factory=dict)
    touched: dict[int, int] = field(default_factory=dict)  # day → last version that brought rows of it
    sums: dict[int, Sum] = field(default_factory=dict)  # day → what its live files must amount to
    foreign: int = -1  # last version in which another program changed rows: it may have touched any day
    expired: dict[str, int] = field(default_factory=dict)  # series → day before which its raw rows are gone

    def last_touch(self, day: int) -> int:
        """The last version in which rows of ``day`` may have come."""
        return max(self.foreign, self.touched.get(day, -1))

    def take(self, marks: Marks, version: int) -> None:
        """Fold in the commits after ``self.version``, oldest first, that reach up to ``version``."""
        carries = [mark["carry"] for _, mark in marks if "carry" in mark]
        if carries:
            self._start_from(carries[-1])
        first = marks[0][0] if marks else version + 1
        if first > self.version + 1:
            raise StoreError(
                f"the lake's log was cleaned by another program: commits {self.version + 1} to {first - 1} "
                f"are gone, and with them which batches landed; only tidy may clean a lake's log"
            )
        for number, mark in marks:
            if number > self.version:
                self._take_one(number, mark)
        self.version = version

    def _take_one(self, version: int, mark: Mapping[str, Any]) -> None:
        if "batch" in mark:
            writer, count, digest = mark["batch"]
            self.writers[writer] = Landed(count, digest)
            merge_spans(self.spans, unpack_spans(mark["spans"]).items())
            for day, rows, hashes in mark["days"]:
                self.touched[day] = version
                self.sums[day] = self.sums.get(day, Sum()) + Sum(rows, hashes)
        elif "gone" in mark:
            day, rows, hashes = mark["gone"]
            self.sums[day] = self.sums.get(day, Sum()) - Sum(rows, hashes)
            for series in unpack(mark.get("expired", "[]")):
                self.expired[series] = max(day + 1, self.expired.get(series, day + 1))
        elif "foreign" in mark:
            self.foreign = version

    def catch_up(self, version: int, history: Callable[[int], Marks]) -> None:
        """Fold in all up to ``version``; ``history(after)`` gives the commits above a version.

        Looks back step by step for a carry, so that a long log is not read whole at every start.
        """
        reach = REACH
        while self.version < version:
            after = max(self.version, version - reach)
            marks = history(after)
            known = max([self.version, *(mark["carry"]["base"] for _, mark in marks if "carry" in mark)])
            if known >= after or len(marks) < version - after:
                self.take(marks, version)
            reach *= 4

    def _start_from(self, carry: Mapping[str, Any]) -> None:
        self.carried = carry["base"]
        if carry["base"] > self.version:  # else we already know more
            self.version, self.foreign = carry["base"], carry["foreign"]
            self.writers = {writer: Landed(*last) for writer, last in carry["writers"].items()}
            self.spans = unpack_spans(carry["spans"])
            days = {int(day): figures for day, figures in unpack(carry["days"]).items()}
            self.touched = {day: version for day, (version, _, _) in days.items()}
            self.sums = {day: Sum(rows, hashes) for day, (_, rows, hashes) in days.items()}
            self.expired = unpack(carry["expired"])

    def carry_mark(self) -> dict[str, Any]:
        """The ledger as a commit can carry it."""
        days = {day: [self.touched.get(day, -1), s.rows, s.hashes] for day, s in self.sums.items()}
        return {
            "carry": {
                "base": self.version,
                "writers": {writer: [last.number, last.digest] for writer, last in self.writers.items()},
                "spans": pack_spans(self.spans),
                "days": pack(days),
                "expired": pack(self.expired),
                "foreign": self.foreign,
            }
        }

    def copy(self) -> Ledger:
        """A ledger of its own, which later commits do not move on."""
        return copy.deepcopy(self)
