"""What a batch puts into a lake: fresh files, one for each day of its rows.

They are written as tidy writes its own, not by the engine's writer: that keeps its query engine out of the memory of
an ingest worker (26 MB at 50,000 rows a commit) for no more processor time.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pyarrow as pa
from deltalake import DeltaTable
from deltalake.transaction import AddAction

from skidhand.model.samples import TIMESTAMP
from skidhand.stores.buckets import DAY, SECOND
from skidhand.stores.lake_files import ROW_GROUP, write_file
from skidhand.stores.lake_rollup import day_of
from skidhand.stores.lake_table import LakeTable, engine_errors
from skidhand.stores.rows import ROWS, micros_of


def whole_seconds(rows: pa.Table) -> pa.Table:
    """Receive times rounded down: their jitter would take more room than the values (2.5 bytes a sample)."""
    received = micros_of(rows["received"]) // SECOND * SECOND
    return rows.set_column(ROWS.get_field_index("received"), ROWS.field("received"), pa.array(received).cast(TIMESTAMP))


def fresh_files(table: LakeTable, delta: DeltaTable, rows: pa.Table) -> list[AddAction]:
    """Write ``rows`` (ROWS, sorted by series and time) to the disk; the actions with which a commit adds them."""
    adds = []
    with engine_errors(f"cannot write to lake {table.uri}"):
        for number, part in _by_day(rows):
            day = day_of(number).isoformat()
            path = f"day={day}/part-{uuid.uuid4()}.parquet"
            adds.append(write_file(table, delta, path, part, {"day": day}, row_group=ROW_GROUP, fresh=True))
    return adds


def _by_day(rows: pa.Table) -> Iterator[tuple[int, pa.Table]]:
    if len(rows) == 0:
        return
    days = micros_of(rows["time"]) // DAY
    if (days == days[0]).all():
        yield int(days[0]), rows
        return
    order = np.argsort(days, kind="stable")
    rows, days = rows.take(pa.array(order, type=pa.int64())), days[order]
    for first, end in pairwise([0, *(np.flatnonzero(np.diff(days)) + 1).tolist(), len(days)]):
        yield int(days[first]), rows.slice(first, end - first)
