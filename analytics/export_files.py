"""Tables to CSV, JSON, Parquet or Excel, piece by piece, the same bytes for the same tables and meta data."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal, get_args

import numpy as np
import orjson
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from pydantic import BaseModel, ConfigDict, Field

from analytics.frame import Flag
from skidhand.errors import UserError

Format = Literal["csv", "json", "parquet", "xlsx"]
ROWS_AT_ONCE: Final = 100_000
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
QUALITY: Final = {
    "0x00000000": "Good", "0x40000000": "Uncertain", "0x80000000": "Bad",
    "note": "OPC UA StatusCodes (OPC 10000-8), as decimal numbers in the column: 0, 1073741824, 2147483648; the top "
    "two bits are the severity",
}  # fmt: skip
FLAGS: Final = {int(flag): (flag.name or "").lower() for flag in Flag}
"""What the bits of a cleaned minute's flags mean."""


class Meta(BaseModel):
    """What a reader must know beside the rows. ``units``: UCUM code of each series."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    v: Literal[1] = 1
    fleet: str
    fleet_version: str
    store_version: str
    skid: str
    start: datetime
    end: datetime
    stage: str
    width_s: int | None
    policy: str
    units: dict[str, str]
    flags: dict[int, str]
    corrections: dict[str, str] = {}  # version of each corrected series
    definition: dict[str, Any] = Field({}, exclude=True)  # the skid's part of the fleet file, for Parquet alone


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the file."""

    name: str
    type: pa.DataType


def write(
    tables: Iterable[pa.Table],
    columns: Sequence[Column],
    meta: Meta,
    format: Format,
    out: Path | BinaryIO,
) -> int:
    """Write all tables; the count of rows. Columns come in the order given, whatever the tables' order."""
    writers: dict[str, Callable[[Iterator[pa.Table], pa.Schema, Meta, BinaryIO], int]] = {
        "csv": _csv, "json": _json, "parquet": _parquet, "xlsx": _excel,
    }  # fmt: skip
    if format not in writers:
        raise UserError(f"no format {format!r}; there are {', '.join(get_args(Format))}")
    schema = pa.schema([pa.field(column.name, column.type) for column in columns])
    ordered = (table.select(schema.names).cast(schema) for table in tables)
    first = next(ordered, None)  # what cannot be read is told before a header is written
    every = ordered if first is None else chain((first,), ordered)
    with _opened(out) as stream:
        return writers[format](every, schema, meta, stream)


@contextmanager
def _opened(out: Path | BinaryIO) -> Iterator[BinaryIO]:
    """A path is written beside itself and moved into place, so that nobody ever sees half a file."""
    if not isinstance(out, Path):
        yield out
        return
    part = out.with_name(out.name + ".part")
    try:
        with part.open("wb") as stream:
            yield stream
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)


def _csv(tables: Iterator[pa.Table], schema: pa.Schema, meta: Meta, out: BinaryIO) -> int:  # noqa: ARG001
    """RFC 4180: comma, CRLF, quotes doubled. Text that a spreadsheet would run as a formula gets a quote first."""
    rows = 0
    out.write(",".join(schema.names).encode() + b"\r\n")
    for table in tables:
        for start in range(0, len(table), ROWS_AT_ONCE):
            part = table.slice(start, ROWS_AT_ONCE)
            frame = pd.DataFrame({name: _cells(part[name]) for name in schema.names})
            text = frame.to_csv(index=False, header=False, lineterminator="\r\n", quoting=csv.QUOTE_MINIMAL, na_rep="")
            out.write(text.encode("utf-8"))
        rows += len(table)
    return rows


def _cells(column: pa.ChunkedArray[Any]) -> Any:
    if pa.types.is_timestamp(column.type):
        return pc.strftime(column, format="%Y-%m-%dT%H:%M:%SZ").to_pandas()
    if pa.types.is_string(column.type):
        coded = column.combine_chunks().dictionary_encode()
        safe = np.array([harmless(str(text)) for text in coded.dictionary.to_pylist()], dtype=object)
        return safe[coded.indices.to_numpy()]
    return column.to_pandas()


def harmless(text: str) -> str:
    """``text`` as no spreadsheet takes it for a formula (a leading apostrophe marks text)."""
    return "'" + text if text.startswith(_FORMULA) else text


def _json(tables: Iterator[pa.Table], schema: pa.Schema, meta: Meta, out: BinaryIO) -> int:  # noqa: ARG001
    """One object: ``meta`` and ``rows``, a row a line. Times are RFC 3339, what is not known is null."""
    rows = 0
    head = orjson.dumps({**meta.model_dump(mode="json"), "quality": QUALITY}, option=orjson.OPT_SORT_KEYS)
    out.write(b'{"meta": ' + head + b', "rows": [')
    for table in tables:
        for batch in table.to_batches(max_chunksize=ROWS_AT_ONCE):
            for row in batch.to_pylist():
                out.write((b"\n" if rows == 0 else b",\n") + orjson.dumps(row, option=orjson.OPT_UTC_Z))
                rows += 1
    out.write(b"\n]}\n")
    return rows


def _parquet(tables: Iterator[pa.Table], schema: pa.Schema, meta: Meta, out: BinaryIO) -> int:
    """A row group a piece; ``meta`` and the quality legend under the key ``skidhand`` as JSON, the skid's part of the
    fleet file (instruments, units, limits) under ``skidhand_skid``.
    """
    told: dict[bytes, bytes] = {
        b"skidhand": orjson.dumps({**meta.model_dump(mode="json"), "quality": QUALITY}, option=orjson.OPT_SORT_KEYS),
        b"skidhand_skid": orjson.dumps(meta.definition, option=orjson.OPT_SORT_KEYS),
    }
    rows = 0
    with pq.ParquetWriter(out, schema.with_metadata({**told}), compression="zstd") as writer:
        for table in tables:
            if len(table):
                writer.write_table(table.replace_schema_metadata(told))
            rows += len(table)
    return rows


def _excel(tables: Iterator[pa.Table], schema: pa.Schema, meta: Meta, out: BinaryIO) -> int:
    """A workbook; ``meta`` and the quality legend on a sheet of their own."""
    from analytics.export_excel import write_excel

    told = {**meta.model_dump(mode="json"), "quality": QUALITY}
    return write_excel(tables, schema, {name: _said(value) for name, value in told.items()}, out)


def _said(value: Any) -> str:
    return value if isinstance(value, str) else orjson.dumps(value, option=orjson.OPT_SORT_KEYS).decode()
