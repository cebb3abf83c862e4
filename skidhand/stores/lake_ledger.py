"""What a lake's commits say beside their rows: who landed what, and which spans of which series changed.

Each append commit carries ``{"batch": [writer, number, digest], "spans": packed}``. Commits are cleaned away
after a while, so tidy first writes a commit that carries the whole ledger up to a version:
``{"carry": {"base": version, "writers": …, "spans": packed}}``. A reader that starts anew takes the newest
carry and the commits after its base; afterwards it only reads what is new.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from skidhand.errors import StoreError
from skidhand.stores.base import Batch, Landed, Span
from skidhand.stores.rows import merge_spans

_PLAIN: Final = 1000
"""Longest span text that is kept readable; series ids repeat themselves, so zlib takes off some 80 %."""

REACH: Final = 512
"""Commits that a new reader looks back for a carry at first."""

Marks = Sequence[tuple[int, Mapping[str, Any]]]


def pack_spans(spans: Mapping[str, Span]) -> str:
    """``{"series": [first µs, last − first µs]}`` as JSON, or that compressed and in base64."""
    text = json.dumps({s: [p.first_us, p.last_us - p.first_us] for s, p in spans.items()})
    return text if len(text) <= _PLAIN else base64.b64encode(zlib.compress(text.encode())).decode()


def unpack_spans(packed: str) -> dict[str, Span]:
    """The opposite of :func:`pack_spans`."""
    text = packed if packed.startswith("{") else zlib.decompress(base64.b64decode(packed)).decode()
    return {series: Span(first, first + length) for series, (first, length) in json.loads(text).items()}


def batch_mark(batch: Batch, spans: Mapping[str, Span]) -> dict[str, Any]:
    """What an append commit carries."""
    return {"batch": [batch.writer, batch.number, batch.digest], "spans": pack_spans(spans)}


def changed_spans(marks: Marks) -> dict[str, Span]:
    """The spans that these commits changed; compaction and carry commits change nothing."""
    spans: dict[str, Span] = {}
    for _, mark in marks:
        if "batch" in mark:
            merge_spans(spans, unpack_spans(mark["spans"]).items())
    return spans


@dataclass(slots=True)
class Ledger:
    """The state up to and with ``version``; −1 before the first commit."""

    version: int = -1
    carried: int = -1  # base of the newest carry that was seen
    writers: dict[str, Landed] = field(default_factory=dict)
    spans: dict[str, Span] = field(default_factory=dict)

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
            if number > self.version and "batch" in mark:
                writer, count, digest = mark["batch"]
                self.writers[writer] = Landed(count, digest)
                merge_spans(self.spans, unpack_spans(mark["spans"]).items())
        self.version = version

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
            self.version = carry["base"]
            self.writers = {writer: Landed(*last) for writer, last in carry["writers"].items()}
            self.spans = unpack_spans(carry["spans"])

    def carry_mark(self) -> dict[str, Any]:
        """The ledger as a commit can carry it."""
        writers = {writer: [last.number, last.digest] for writer, last in self.writers.items()}
        return {"carry": {"base": self.version, "writers": writers, "spans": pack_spans(self.spans)}}
