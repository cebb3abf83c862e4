"""Where the rows of a batch go: which of the two slots of a key, or nowhere when the row has lost already."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from skidhand.stores.base import Batch, Landed
from skidhand.stores.influx_lines import (
    EARLIEST_US,
    LATEST_US,
    SAMPLES,
    Row,
    any_of,
    between,
    by,
    intervals_of,
    sample_head,
    sample_line,
    unquoted,
)
from skidhand.stores.influx_server import Server
from skidhand.stores.rows import micros_of, spans_of


class _Known(NamedTuple):
    """What is known of one writer: its last landed batch and, per series, a time above which it wrote nothing."""

    number: int | None
    tops: dict[str, int]


class _Winner(NamedTuple):
    slot: int
    received_us: int
    batch: int


Winners = dict[tuple[str, int], _Winner]


class Slots:
    """Remembers how far each series was written, so that only late or repeated rows cost a look. Not locked."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._known: dict[str, _Known] = {}

    @contextmanager
    def placing(self, rows: pa.Table, batch: Batch, last: Landed | None) -> Iterator[list[str]]:
        """The lines to write for ``rows``, after ``last`` of that writer; leave it in peace once they landed.

        Left by an exception, what landed is unknown, so what was known is forgotten.
        """
        number = None if last is None else last.number
        known = self._known.pop(batch.writer, None)
        tops = self._tops(batch.writer) if known is None or known.number != number else known.tops
        yield self._lines(_as_rows(rows), tops, batch, number)
        for name, span in spans_of(rows).items():
            tops[name] = max(span.last_us, tops.get(name, span.last_us))
        self._known[batch.writer] = _Known(batch.number, tops)

    def _tops(self, writer: str) -> dict[str, int]:
        """Per series the last time that the writer wrote, landed or not."""
        ever = between(EARLIEST_US, LATEST_US)
        ends = self._server.query(
            [f'SELECT last("batch") FROM {SAMPLES} WHERE {by(writer)} AND {ever} GROUP BY "series"']
        )
        return {unquoted(part.tags["series"]): part.values[0][0] // 1000 for part in ends}

    def _lines(self, rows: Sequence[Row], tops: dict[str, int], batch: Batch, number: int | None) -> list[str]:
        late = [row for row in rows if row.time_us <= tops.get(row.series, EARLIEST_US - 1)]
        winners = self._winners(late, batch.writer, number) if late and number is not None else {}
        heads: dict[tuple[str, int], str] = {}
        lines = []
        for row in rows:
            winner = winners.get((row.series, row.time_us))
            if winner is not None and winner.received_us > row.received_us:
                continue
            slot = 1 - winner.slot if winner is not None else 0
            head = heads.get((row.series, slot))
            if head is None:
                head = heads[row.series, slot] = sample_head(row.series, batch.writer, slot)
            reused = row.time_us <= tops.get(row.series, EARLIEST_US - 1)
            lines.append(sample_line(head, row, batch.number, reused=reused))
        return lines

    def _winners(self, late: Sequence[Row], writer: str, number: int) -> Winners:
        """What the writer has landed, up to its batch ``number``, where these rows go; points of later batches
        were never landed and are free to be overwritten."""
        groups = any_of(row.series for row in late)
        spans = intervals_of(np.array([row.time_us for row in late], dtype=np.int64))
        statements = [
            f'SELECT "received", "batch" FROM {SAMPLES} WHERE {by(writer)} AND {group} '
            f'AND {between(*span)} AND "batch" <= {number} GROUP BY "series", "slot"'
            for span in spans
            for group in groups
        ]
        winners: Winners = {}
        for part in self._server.query(statements):
            series, slot = unquoted(part.tags["series"]), int(part.tags["slot"])
            for time, received, batch in part.values:
                key, found = (series, time // 1000), _Winner(slot, received, batch)
                winners[key] = max(found, winners.get(key, found), key=lambda w: (w.received_us, w.batch))
        return winners


def _as_rows(rows: pa.Table) -> list[Row]:
    columns: tuple[list[Any], ...] = (
        rows["series"].to_pylist(),
        micros_of(rows["time"]).tolist(),
        rows["value"].to_pylist(),
        rows["quality"].to_pylist(),
        micros_of(rows["received"]).tolist(),
    )
    return [Row(*values) for values in zip(*columns, strict=True)]
