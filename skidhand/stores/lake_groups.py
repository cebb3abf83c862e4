"""Row groups of large files: which of them can hold the answer, by the file's footer, and their rows.

A footer takes longer to read than an hour of one series does, so footers are kept; a file never changes. Of a row
group whole columns are decoded and cut afterwards: Arrow's own filter takes twice the time of its decoding, and names
stay numbers of a dictionary until few rows are left.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pyarrow import fs

from skidhand.model.samples import TIMESTAMP
from skidhand.stores.lake_live import any_between
from skidhand.stores.rows import micros_of

CHUNKS: Final = 50_000
"""Column chunks (row groups × columns) whose footers are kept, at some 850 bytes each: 42 MB."""

AT_ONCE: Final = 32
"""Row groups that are decoded before they are cut: a million samples."""

_SERIES: Final = "series"


@dataclass(frozen=True, slots=True)
class Footer:
    """A file's metadata, and for each row group the least and greatest series and ``key`` (time or start, µs)."""

    metadata: pq.FileMetaData
    low: list[str | None]
    high: list[str | None]
    first_us: npt.NDArray[np.int64]
    last_us: npt.NDArray[np.int64]

    @classmethod
    def of(cls, metadata: pq.FileMetaData, key: str) -> Footer:
        """What the footer says; a row group without statistics may hold anything."""
        schema = metadata.schema.to_arrow_schema()
        series, time = schema.get_field_index(_SERIES), schema.get_field_index(key)
        told = schema.field(time).type == TIMESTAMP  # another program may count in another unit
        groups = [metadata.row_group(number) for number in range(metadata.num_row_groups)]
        names = [_bounds(group.column(series), raw=False) for group in groups]
        times = [(_bounds(group.column(time), raw=True) if told else None) or (-(2**62), 2**62) for group in groups]
        low, high = ([None if pair is None else pair[end] for pair in names] for end in (0, 1))
        first, last = (np.array([pair[end] for pair in times], dtype=np.int64) for end in (0, 1))
        return cls(metadata, low, high, first, last)

    def within(self, series: Sequence[str], start_us: int, end_us: int) -> list[int]:
        """The row groups that may hold rows of ``series`` (sorted) with start ≤ key < end."""
        hits: list[int] = np.flatnonzero((self.first_us < end_us) & (self.last_us >= start_us)).tolist()
        return [group for group in hits if any_between(series, self.low[group], self.high[group])]


def _bounds(chunk: Any, *, raw: bool) -> tuple[Any, Any] | None:
    statistics = chunk.statistics
    if statistics is None or not statistics.has_min_max:
        return None
    return (statistics.min_raw, statistics.max_raw) if raw else (statistics.min, statistics.max)


class Footers:
    """Footers of files, the least recently used dropped first; safe between threads."""

    def __init__(self, limit: int = CHUNKS) -> None:
        self._limit = limit
        self._held = 0
        self._footers: OrderedDict[str, Footer] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, filesystem: fs.FileSystem, path: str, key: str) -> Footer:
        """The footer of one file."""
        with self._lock:
            found = self._footers.get(path)
            if found is not None:
                self._footers.move_to_end(path)
                return found
        with filesystem.open_input_file(path) as source:
            made = Footer.of(pq.read_metadata(source), key)
        with self._lock:
            if path not in self._footers:
                self._footers[path] = made
                self._held += _chunks(made)
            while self._held > self._limit and len(self._footers) > 1:
                self._held -= _chunks(self._footers.popitem(last=False)[1])
        return made


def _chunks(footer: Footer) -> int:
    return footer.metadata.num_row_groups * footer.metadata.num_columns


def read_groups(
    filesystem: fs.FileSystem,
    footers: Footers,
    path: str,
    series: Sequence[str],
    span_us: tuple[int, int],
    columns: list[str],
    key: str,
) -> Iterator[pa.Table]:
    """``columns`` (``series`` and ``key`` among them) of the rows of ``series`` (sorted) with start ≤ key < end.

    In the order in which they lie in the file.
    """
    footer = footers.of(filesystem, path, key)
    groups = footer.within(series, *span_us)
    if not groups:
        return
    with (
        filesystem.open_input_file(path) as source,
        pq.ParquetFile(source, metadata=footer.metadata, read_dictionary=[_SERIES]) as file,
    ):
        for at in range(0, len(groups), AT_ONCE):
            part = groups[at : at + AT_ONCE]
            yield _cut(file.read_row_groups(part, columns=columns, use_threads=len(part) > 1), series, span_us, key)


def _cut(rows: pa.Table, series: Sequence[str], span_us: tuple[int, int], key: str) -> pa.Table:
    time = micros_of(rows[key])
    mine = (time >= span_us[0]) & (time < span_us[1]) & _among(rows[_SERIES], series)
    at = np.flatnonzero(mine)
    together = len(at) > 0 and at[-1] - at[0] + 1 == len(at)
    rows = rows.slice(at[0], len(at)) if together else rows.filter(pa.array(mine))
    place = rows.column_names.index(_SERIES)
    if len(series) == 1:
        names: Any = pa.repeat(pa.scalar(series[0]), len(rows))
    else:
        names = rows[_SERIES].cast(pa.string())
    return rows.set_column(place, pa.field(_SERIES, pa.string(), nullable=False), names)


def _among(column: pa.ChunkedArray[Any], series: Sequence[str]) -> npt.NDArray[np.bool_]:
    wanted = pa.array(series, type=pa.string())
    masks = [np.zeros(0, dtype=np.bool_)]
    for chunk in column.chunks:
        encoded: Any = chunk
        known: Any = pc.is_in(encoded.dictionary.cast(pa.string()), value_set=wanted)
        masks.append(known.to_numpy(zero_copy_only=False)[encoded.indices.to_numpy()])
    return np.concatenate(masks)
