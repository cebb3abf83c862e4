"""Tables to an Excel workbook, row by row in bounded memory, the same bytes for the same tables."""

from __future__ import annotations

import math
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO, Final

import pyarrow as pa
from openpyxl import Workbook  # type: ignore[import-untyped]
from openpyxl.cell import WriteOnlyCell  # type: ignore[import-untyped]

from skidhand.errors import UserError

MOST_ROWS: Final = 1_048_576
"""Rows of a sheet, the header among them (ECMA-376 implementations' limit, as Excel's own documentation states it)."""

CORE: Final = "docProps/core.xml"
EPOCH: Final = (1980, 1, 1, 0, 0, 0)
SPOOL_BYTES: Final = 32 << 20


def write_excel(tables: Iterator[pa.Table], schema: pa.Schema, told: dict[str, str], out: BinaryIO) -> int:
    """Sheets ``data`` (times are UTC) and ``about``; UserError before anything is written if the rows do not fit."""
    book = Workbook(write_only=True)
    sheet = book.create_sheet("data")
    sheet.freeze_panes = "A2"
    sheet.append(["time (UTC)" if name == "time" else name for name in schema.names])
    rows = 0
    for table in tables:
        if rows + len(table) >= MOST_ROWS:
            sheet.close()  # its writer waits for rows
            raise UserError(
                f"more than the {MOST_ROWS - 1:,} rows that an Excel sheet holds; ask for a shorter span, fewer "
                "series, a coarser --resolution, or --format parquet"
            )
        for batch in table.to_batches(max_chunksize=10_000):
            for row in zip(*(_cells(column) for column in batch.columns), strict=True):
                sheet.append([_cell(sheet, cell) for cell in row])
        rows += len(table)
    about = book.create_sheet("about")
    for name, value in told.items():
        about.append([name, _text(about, value)])
    with tempfile.SpooledTemporaryFile(max_size=SPOOL_BYTES) as whole:
        book.save(whole)
        _same_bytes(whole, out)
    return rows


def _cells(column: pa.Array[Any]) -> Sequence[object]:
    if pa.types.is_timestamp(column.type):  # a workbook knows no zones
        return column.cast(pa.timestamp("us")).to_pylist()
    return column.to_pylist()


def _cell(sheet: object, value: object) -> object:
    """A cell that says exactly ``value``: openpyxl would write a number with 16 digits, a float may need 17."""
    if isinstance(value, str):
        return _text(sheet, value)
    if isinstance(value, float) and float(f"{value:.16g}") != value and math.isfinite(value):
        cell = WriteOnlyCell(sheet, value=repr(value))
        cell.data_type = "n"
        return cell
    return value


def _text(sheet: object, value: str) -> WriteOnlyCell:
    """A cell that is text whatever it begins with: a workbook would run ``=…`` as a formula."""
    cell = WriteOnlyCell(sheet, value=value)
    cell.data_type = "s"
    return cell


def _same_bytes(whole: object, out: BinaryIO) -> None:
    """Copy the archive without the moment of writing in it."""
    with (
        zipfile.ZipFile(whole) as source,  # type: ignore[call-overload]
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            info = zipfile.ZipInfo(name, EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            with source.open(name) as piece, target.open(info, "w", force_zip64=True) as copy:
                if name == CORE:
                    copy.write(b'<cp:coreProperties xmlns:cp="http://schemas.openxmlformats.org/package/2006/metadata/'
                               b'core-properties"/>')  # fmt: skip
                    continue
                while chunk := piece.read(1 << 20):
                    copy.write(chunk)
