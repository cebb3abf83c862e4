"""Prints rows of data on stdout as a table, JSON, CSV or Parquet."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, BinaryIO

import typer

from skidhand.cli.options import Format
from skidhand.errors import UserError

Row = Mapping[str, Any]

WIDE = 220
"""Columns of a table that goes into a file or a pipe: nobody's screen is there to fit."""


def print_rows(rows: Sequence[Row], columns: Sequence[str], format: Format, *, title: str = "") -> None:
    """Print ``rows`` with these columns in this order; a missing or None cell is empty."""
    match format:
        case Format.TABLE:
            _table(rows, columns, title)
        case Format.JSON:
            import orjson

            chosen = [{name: row.get(name) for name in columns} for row in rows]
            typer.echo(orjson.dumps(chosen, default=str, option=orjson.OPT_INDENT_2).decode())
        case Format.CSV:
            typer.echo(_csv(rows, columns), nl=False)
        case Format.PARQUET:
            _parquet(rows, columns, sys.stdout.buffer)


def _table(rows: Sequence[Row], columns: Sequence[str], title: str) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(title=title or None, title_justify="left", header_style="bold")
    for name in columns:
        moments = any(isinstance(row.get(name), datetime) for row in rows)
        table.add_column(name, overflow="fold", no_wrap=moments)
    for row in rows:
        table.add_row(*(_cell(row.get(name)) for name in columns))
    console = Console(markup=False, highlight=False, width=None if sys.stdout.isatty() else WIDE)
    console.print(table)


def _cell(value: Any) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:.6g}"
        case datetime():
            return value.strftime("%Y-%m-%d %H:%MZ" if value.second == 0 else "%Y-%m-%d %H:%M:%SZ")
        case _:
            return str(value)


def _csv(rows: Sequence[Row], columns: Sequence[str]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_plain(row.get(name)) for name in columns])
    return text.getvalue()


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value


def _parquet(rows: Sequence[Row], columns: Sequence[str], sink: BinaryIO) -> None:
    if sink.isatty():
        raise UserError("Parquet is not for a screen; send it to a file: --format parquet > file.parquet")
    import pyarrow as pa
    from pyarrow import parquet

    table = pa.table({name: pa.array([row.get(name) for row in rows]) for name in columns})
    # A pipe cannot seek, and Parquet writes its footer last: build it whole, then send it.
    whole = io.BytesIO()
    parquet.write_table(table, whole)
    sink.write(whole.getvalue())
    sink.flush()
