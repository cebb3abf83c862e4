"""Reads rows as of what has landed, though the engine has no snapshots."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

import pyarrow as pa

from skidhand.errors import StoreConflictError
from skidhand.stores.base import Landed
from skidhand.stores.influx_lines import FIELDS, SAMPLES, Part, quoted, rows_of
from skidhand.stores.influx_server import Server
from skidhand.stores.rows import ROWS, micros_of

TRIES: Final = 20
NONE: Final = -(2**63)
"""Below every batch number: nothing of this writer has landed."""


class _Hidden:
    """Keys of rows that belong to batches which had not landed yet."""

    def __init__(self) -> None:
        self._times: dict[tuple[str, str], tuple[list[int], list[int]]] = {}

    def add(self, part: Part, times: list[int]) -> None:
        series_of_writer = (part.tags["series"], part.tags["writer"])
        self._times.setdefault(series_of_writer, ([], []))[int(part.tags["slot"])].extend(times)

    def covers_a_key(self) -> bool:
        """True when both slots of a key are hidden: what was visible in one of them is then gone.

        That takes two more batches with that key between our look at the ledger and our look at the samples.
        """
        return any(set(zero) & set(one) for zero, one in self._times.values() if one)


def read_rows(server: Server, conditions: Sequence[str], landed: Callable[[], Mapping[str, Landed]]) -> pa.Table:
    """The rows that meet one of the conditions and belong to batches that had landed before, as ROWS.

    StoreConflictError when the same keys were corrected over and over while we read.
    """
    statements = [
        f'SELECT {FIELDS} FROM {SAMPLES} WHERE {condition} GROUP BY "series", "writer", "slot"'
        for condition in conditions
    ]
    if not statements:
        return ROWS.empty_table()
    for _ in range(TRIES):
        numbers = {quoted(writer): last.number for writer, last in landed().items()}
        visible, hidden = [ROWS.empty_table()], _Hidden()
        for part in server.query(statements):
            rows = rows_of(part)
            batch = micros_of(rows["batch"])
            seen = batch <= numbers.get(part.tags["writer"], NONE)
            visible.append(rows.filter(pa.array(seen)))
            hidden.add(part, micros_of(rows["time"])[~seen].tolist())
        if not hidden.covers_a_key():
            return pa.concat_tables(visible)
    raise StoreConflictError("influx store: the keys that were asked for changed faster than they could be read")
