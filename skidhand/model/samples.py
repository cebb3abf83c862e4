"""The one logical table ``samples`` and the id of a series.

Columns (Arrow): ``series`` string ``<skid>/<tag>``; ``time`` source time; ``value`` float64, null only
with a Bad status; ``quality`` OPC UA StatusCode as non-negative int64; ``received`` receive time.
Both times are UTC in microseconds. Key (series, time); of two rows with one key the later in
(received, writer, batch number, row) wins.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final

import pyarrow as pa

TIMESTAMP: Final = pa.timestamp("us", tz="UTC")
SAMPLES: Final[pa.Schema] = pa.schema(
    [  # type: ignore[arg-type]  # the stubs want one element type; pyarrow takes mixed fields
        pa.field("series", pa.string(), nullable=False),
        pa.field("time", TIMESTAMP, nullable=False),
        pa.field("value", pa.float64()),
        pa.field("quality", pa.int64(), nullable=False),
        pa.field("received", TIMESTAMP, nullable=False),
    ]
)


def series_id(skid: str, tag: str) -> str:
    """``<skid>/<tag>``, the series' name in the store."""
    return f"{skid}/{tag}"


def split_series(series: str) -> tuple[str, str]:
    """(skid, tag) of a series id; a skid id never holds a slash."""
    skid, _, tag = series.partition("/")
    return skid, tag


def micros(moment: datetime) -> int:
    """Microseconds since the Unix epoch; ``moment`` must be aware (ValueError otherwise)."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; give an aware datetime")
    delta = moment - EPOCH
    return (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds


def moment(us: int) -> datetime:
    """The aware UTC datetime of ``us`` microseconds since the Unix epoch."""
    return datetime.fromtimestamp(us // 1_000_000, UTC).replace(microsecond=us % 1_000_000)


def table(rows: Iterable[tuple[str, int, float | None, int, int]]) -> pa.Table:
    """A ``samples`` table from (series, time µs, value, quality, received µs) rows."""
    columns = list(zip(*rows, strict=True)) or [(), (), (), (), ()]
    return pa.table(
        [pa.array(column, type=field.type) for column, field in zip(columns, SAMPLES, strict=True)],
        schema=SAMPLES,
    )


EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
