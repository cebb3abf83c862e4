"""Reading a lake: the rows of the files that can hold the answer.

Two ways, by size. Fresh files (a few rows each, hundreds between two runs of tidy) are decoded whole, one
after the other, and kept in memory, for a file never changes: an analyser that comes every few seconds
only decodes what is new. Of large files only row groups are read (``lake_groups``).
Measured on 300 appends of 75 rows, last 15 minutes, 2 cores: deltalake's own dataset 460 ms, its SQL engine 400 ms,
a plain Arrow dataset 150 ms, decoding in turn 60 ms, from memory 3 ms.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
from pyarrow import fs

from skidhand.model.samples import SAMPLES
from skidhand.stores.lake_groups import Footers, read_groups
from skidhand.stores.lake_live import Files
from skidhand.stores.rows import ROWS, in_span

SMALL: Final = 512 * 1024
"""Files up to this many bytes are decoded whole and remembered."""


class RowCache:
    """Decoded small files, the least recently used dropped first; safe between threads."""

    def __init__(self, limit: int = 64 * 1024 * 1024) -> None:
        self._limit = limit
        self._held = 0
        self._tables: OrderedDict[str, pa.Table] = OrderedDict()
        self._lock = threading.Lock()

    def rows(self, filesystem: fs.FileSystem, path: str) -> pa.Table:
        """All rows of one file."""
        with self._lock:
            table = self._tables.get(path)
            if table is not None:
                self._tables.move_to_end(path)
                return table
        table = read_file(filesystem, path)
        with self._lock:
            if path not in self._tables:
                self._tables[path] = table
                self._held += table.nbytes
            while self._held > self._limit:
                self._held -= self._tables.popitem(last=False)[1].nbytes
        return table


def read_file(filesystem: fs.FileSystem, path: str) -> pa.Table:
    """All rows of one data file as ROWS."""
    with filesystem.open_input_file(path) as source, pq.ParquetFile(source, pre_buffer=False) as file:
        return file.read(columns=ROWS.names, use_threads=False).cast(ROWS)


def read_rows(
    filesystem: fs.FileSystem,
    files: Files,
    cache: RowCache,
    footers: Footers,
    series: Sequence[str],
    start_us: int,
    end_us: int,
) -> pa.Table:
    """Every stored row (duplicates too) of ``series`` (sorted, single) with start ≤ time < end, in no order.

    As ROWS; or, where no row can be there twice, as SAMPLES in order of time, for nobody asks then which batch
    brought a row.
    """
    hits = files.within(series, start_us, end_us)
    one = len(series) == 1 and files.single(hits)
    schema = SAMPLES if one else ROWS
    parts, small = [schema.empty_table()], [schema.empty_table()]
    for hit in hits:
        path = files.paths[hit]
        if files.sizes[hit] <= SMALL and not one:
            small.append(cache.rows(filesystem, path))
        else:
            span = start_us, end_us
            found = read_groups(filesystem, footers, path, series, span, schema.names, "time")
            parts += (part.cast(schema) for part in found)
    if len(small) > 1:
        parts.append(in_span(pa.concat_tables(small), pa.array(series, type=pa.string()), start_us, end_us))
    return pa.concat_tables(parts)
