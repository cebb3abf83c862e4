"""Recordings: a CSV or Parquet table read through a map into samples, and samples written to Parquet."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from simulator.recording_map import EPOCHS, MICRO, RecordingMap, ValueColumn, load_map
from skidhand.errors import InputFileError
from skidhand.fleet import Fleet
from skidhand.model.quality import BAD, GOOD
from skidhand.model.samples import SAMPLES, micros, series_id
from skidhand.units import convert_array

__all__ = ["load_map", "read_recording", "read_samples", "write_samples"]

SUFFIXES: Final = (".csv", ".parquet")


def read_recording(
    path: Path | str, recording_map: RecordingMap, fleet: Fleet, *, rows: int = 50_000
) -> Iterator[pa.Table]:
    """Samples of the recording, about ``rows`` lines of it at a time, in its own order and with its own times.

    ``received`` equals the source time; an empty or not finite value becomes null with a Bad status.
    InputFileError names a column that is missing or a value that is no number or time.
    """
    clock = _Clock(recording_map)
    needed = {recording_map.time.column, *(c.column for c in recording_map.columns)}
    needed |= {c.minus for c in recording_map.columns if c.minus}
    if recording_map.run:
        needed.add(recording_map.run.column)
    for frame in _frames(Path(path), rows, needed):
        times = clock.times(frame, path)
        columns = [(c, _values(frame, c, fleet, path)) for c in recording_map.columns]
        yield _samples(times, columns)


def write_samples(tables: Iterable[pa.Table], path: Path | str) -> int:
    """Write samples (schema SAMPLES) to one Parquet file; gives the number of rows."""
    count = 0
    # times hardly repeat: a dictionary of them would be built and thrown away; a converter's steps do
    repeat = ["series", "value", "quality"]
    with pq.ParquetWriter(str(path), SAMPLES, compression="zstd", use_dictionary=repeat) as writer:  # type: ignore[arg-type]
        for table in tables:
            writer.write_table(table)
            count += table.num_rows
    return count


def read_samples(path: Path | str, *, rows: int = 200_000) -> Iterator[pa.Table]:
    """Samples that :func:`write_samples` wrote, in the same order; InputFileError if they are something else."""
    try:
        with pq.ParquetFile(str(path)) as file:
            if not file.schema_arrow.equals(SAMPLES):
                raise InputFileError(f"{path}: not a file of samples: its columns are {file.schema_arrow.names}")
            for batch in file.iter_batches(batch_size=rows):
                yield pa.Table.from_batches([batch])
    except (OSError, pa.ArrowInvalid) as error:
        raise InputFileError(f"{path}: cannot read samples: {error}") from error


class _Clock:
    """Turns the time column into µs since the epoch, carrying runs over from one block to the next."""

    def __init__(self, recording_map: RecordingMap) -> None:
        self._time, self._run = recording_map.time, recording_map.run
        self._current: Any = None
        self._shift = 0
        self._last: int | None = None

    def times(self, frame: pd.DataFrame, path: Path | str) -> npt.NDArray[np.int64]:
        """Source times of one block."""
        raw = self._parse(frame[self._time.column], path)
        if self._run is None or len(raw) == 0:
            return raw
        runs = frame[self._run.column].to_numpy()
        edges = np.flatnonzero(np.concatenate([[runs[0] != self._current], runs[1:] != runs[:-1]]))
        times = raw + self._shift
        for edge in edges.tolist():
            before = self._last if edge == 0 else int(times[edge - 1])
            if before is not None:
                self._shift = before + round(self._run.gap_s * MICRO) - int(raw[edge])
                times[edge:] = raw[edge:] + self._shift
        self._current, self._last = runs[-1], int(times[-1])
        return times

    def _parse(self, column: pd.Series[Any], path: Path | str) -> npt.NDArray[np.int64]:
        try:
            if self._time.format in ("seconds", *EPOCHS):
                numbers = np.asarray(pd.to_numeric(column), dtype=np.float64)
                if not np.isfinite(numbers).all():
                    raise ValueError("a time is missing or not finite")
                factor = EPOCHS.get(self._time.format, MICRO) * self._time.scale
                start = micros(self._time.start) if self._time.start else 0
                return np.asarray(np.round(numbers * factor).astype(np.int64) + start)
            pattern = "ISO8601" if self._time.format == "rfc3339" else self._time.format
            moments = pd.to_datetime(column, format=pattern, utc=True)
        except (ValueError, TypeError) as error:
            raise InputFileError(
                f"{path}: column {self._time.column!r} does not hold times as {self._time.format!r}: {error}"
            ) from error
        if moments.isna().any():
            raise InputFileError(f"{path}: column {self._time.column!r} has an empty time")
        return np.asarray(moments.to_numpy("datetime64[us]").astype(np.int64))


def _frames(path: Path, rows: int, needed: set[str]) -> Iterator[pd.DataFrame]:
    """The table in pieces of about ``rows`` lines."""
    try:
        for batch in _batches(path, rows):
            if missing := needed - set(batch.schema.names):
                names = ", ".join(batch.schema.names)
                raise InputFileError(f"{path}: no column {', '.join(sorted(missing))}; it has {names}")
            frame = batch.select(sorted(needed)).to_pandas()
            for first in range(0, len(frame), rows):
                yield frame.iloc[first : first + rows]
    except (OSError, pa.ArrowInvalid) as error:
        raise InputFileError(f"{path}: cannot read the recording: {error}") from error


def _batches(path: Path, rows: int) -> Iterator[pa.RecordBatch]:
    if path.suffix == ".parquet":
        with pq.ParquetFile(str(path)) as file:
            yield from file.iter_batches(batch_size=rows)
    elif path.suffix == ".csv":
        with pyarrow.csv.open_csv(str(path)) as reader:
            yield from reader
    else:
        raise InputFileError(f"{path}: a recording is one of {', '.join(SUFFIXES)}, not {path.suffix or 'that'!r}")


def _values(frame: pd.DataFrame, mapped: ValueColumn, fleet: Fleet, path: Path | str) -> npt.NDArray[np.float64]:
    numbers = _numbers(frame[mapped.column], path)
    if mapped.minus is not None:
        numbers = numbers - _numbers(frame[mapped.minus], path)
    skid = fleet.skid(mapped.skid)
    unit = skid.instruments[mapped.tag].unit if skid else "1"
    return convert_array(numbers * mapped.scale + mapped.offset, mapped.unit or unit, unit)


def _numbers(column: pd.Series[Any], path: Path | str) -> npt.NDArray[np.float64]:
    try:
        return np.asarray(pd.to_numeric(column), dtype=np.float64)
    except (ValueError, TypeError) as error:
        raise InputFileError(f"{path}: column {column.name!r} holds something that is no number: {error}") from error


def _samples(times: npt.NDArray[np.int64], columns: list[tuple[ValueColumn, npt.NDArray[np.float64]]]) -> pa.Table:
    """Row by row, so that what was measured together stays together."""
    values = np.column_stack([numbers for _, numbers in columns]).ravel()
    names = pa.array([series_id(c.skid, c.tag) for c, _ in columns], pa.string())
    bad = ~np.isfinite(values)
    stamps = pa.array(np.repeat(times, len(columns))).cast(SAMPLES.field("time").type)
    return pa.table(
        [
            names.take(np.tile(np.arange(len(columns)), len(times))),
            stamps,
            pa.array(values, mask=bad),
            pa.array(np.where(bad, BAD, GOOD).astype(np.int64)),
            stamps,
        ],
        schema=SAMPLES,
    )
