"""Is everything there? The log without gaps, every file whole, and each day's rows those that were committed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from itertools import pairwise
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
from deltalake import DeltaTable

from skidhand.errors import StoreError
from skidhand.stores.lake_history import FOLDER
from skidhand.stores.lake_ledger import Ledger
from skidhand.stores.lake_rollup import day_number, day_of, files_of
from skidhand.stores.lake_sums import Sum, sum_of
from skidhand.stores.lake_table import LOG, LakeTable
from skidhand.stores.lake_tidy import live_files
from skidhand.stores.rows import ROWS

_SLICE: Final = 500_000
"""Rows that are held in memory at once."""


def verify(table: LakeTable, rollups: LakeTable, ledger: Callable[[], Ledger]) -> Iterator[str]:
    """A line for each fault of a lake; none when it is sound. Reads every file once, and changes nothing."""
    try:
        delta = table.current()
    except StoreError as error:
        yield f"the table cannot be opened: {error}"
        delta = None
    yield from _gaps(table, delta)
    if delta is not None:
        try:
            known = ledger()
        except StoreError as error:
            yield f"what landed cannot be told: {error}"
        else:
            yield from _days(table, known)
    yield from _rollups(table, rollups)


def _gaps(table: LakeTable, delta: DeltaTable | None) -> Iterator[str]:
    """Commits that are missing between those that are there, in the log and in what was bundled of it."""
    present = sorted(
        int(name[:20]) for name in table.names(delta, LOG) if name.endswith(".json") and name[:20].isdecimal()
    )
    spans = [(version, version) for version in present]
    for name in table.names(delta, FOLDER):
        if name.endswith(".json.z"):
            one, _, end = name.partition(".")[0].partition("-")
            spans.append((int(one), int(end)))
    reach = None
    for first, last in sorted(spans):
        if reach is not None and first > reach + 1:
            yield f"commits {reach + 1} to {first - 1} are missing, and with them the batches that they brought"
        reach = last if reach is None else max(reach, last)
    for lower, upper in pairwise(present):
        if upper > lower + 1:  # bundles may hold them, but then nobody can open the table past the gap
            yield f"the log has a gap between commits {lower} and {upper}"


def _days(table: LakeTable, known: Ledger) -> Iterator[str]:
    if known.foreign >= 0:
        yield f"commit {known.foreign} was made by another program; what it changed is in no sum"
    live = {day_number(day): files for day, files in live_files(table, table.fork()).items()}
    for day in sorted(live.keys() | known.sums.keys()):
        found = Sum()
        whole = True
        for file in live.get(day, []):
            try:
                found += _read(table, file.path, file.size)
            except StoreError as error:
                whole = False
                yield f"{file.path}: {error}"
        expected = known.sums.get(day, Sum())
        if whole and found.rows != expected.rows:
            yield f"{day_of(day)}: {found.rows} rows lie there, and the commits brought {expected.rows}"
        elif whole and found.hashes != expected.hashes:
            yield f"{day_of(day)}: {found.rows} rows lie there, but not with the values that were committed"


def _rollups(samples: LakeTable, table: LakeTable) -> Iterator[str]:
    try:
        delta = table.current()
        files = files_of(table, delta) if delta is not None else ()
    except StoreError as error:
        yield f"the rollups cannot be opened: {error}"
        return
    with suppress(StoreError):  # told already
        newest = samples.current()  # after the rollups: a tidy may be at work
        reach = -1 if newest is None else newest.version()
        for file in files:
            if file.built > reach:
                yield f"{file.path}: made from commit {file.built} of the samples, whose last is {reach}"
    for file in files:
        try:
            _read(table, file.path, file.size, samples=False)
        except StoreError as error:
            yield f"{file.path}: {error}"


def _read(table: LakeTable, path: str, size: int, *, samples: bool = True) -> Sum:
    """What one file amounts to; StoreError when it is not whole."""
    found = Sum()
    filesystem = table.filesystem(table.fork())
    try:
        info = filesystem.get_file_info(path)
        if info.size != size:
            raise StoreError(f"{'missing' if info.size is None else f'{info.size} bytes'} instead of {size} bytes")
        with (
            filesystem.open_input_file(path) as source,
            pq.ParquetFile(source, page_checksum_verification=True) as file,
        ):
            for batch in file.iter_batches(_SLICE, columns=ROWS.names if samples else None):
                if samples:
                    found += sum_of(pa.Table.from_batches([batch]).cast(ROWS))
    except (pa.ArrowException, OSError, ValueError) as error:
        raise StoreError(f"cannot be read: {error}") from error
    return found
