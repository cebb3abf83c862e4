"""The map of a recording: which column is time, and which column is which tag.

    version: 1
    time: {column: t, format: seconds, start: 2026-01-01T00:00:00Z}
    run: {column: sample, gap_s: 600}          # optional: each value is a run that begins anew
    columns:
      - {column: dp, skid: rig-1, tag: PDT-301, unit: kPa}
      - {column: flow, skid: rig-1, tag: FT-301, unit: L/min, scale: 0.001, offset: 0}
      - {column: p_up, minus: p_down, skid: rig-1, tag: PDT-302, unit: "[psi]"}

``format`` is ``rfc3339`` (also any ISO 8601 text or timestamp column), ``epoch-s``, ``epoch-ms``,
``epoch-us``, ``seconds`` after ``start``, or a strptime pattern; times without an offset are UTC. With
``seconds``, ``scale`` stretches time (60 makes a minute of each second), for rigs that are quicker than a
plant. A value is first scaled (value × scale + offset, in ``unit``), then turned into the tag's own unit.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from pydantic import AwareDatetime, Field, model_validator

from simulator.checked import Block, read_checked
from skidhand.errors import InputFileError
from skidhand.fleet import Fleet
from skidhand.units import UnitError, convert

MICRO: Final = 1_000_000
EPOCHS: Final = {"epoch-s": MICRO, "epoch-ms": 1000, "epoch-us": 1}


class TimeColumn(Block):
    """Where the time stands and how it is written."""

    column: str
    format: str = "rfc3339"
    start: AwareDatetime | None = None
    scale: float = Field(1.0, gt=0)

    @model_validator(mode="after")
    def _start_goes_with_seconds(self) -> TimeColumn:
        if (self.format == "seconds") != (self.start is not None):
            raise ValueError("'start' is needed with format 'seconds' and with no other")
        if self.scale != 1.0 and self.format != "seconds":
            raise ValueError("'scale' stretches only the format 'seconds'")
        if self.format not in ("rfc3339", "seconds", *EPOCHS) and "%" not in self.format:
            raise ValueError(
                f"format must be rfc3339, seconds, {', '.join(EPOCHS)} or a strptime pattern, got {self.format!r}"
            )
        return self


class RunColumn(Block):
    """A column that names the run; when it changes, time goes on ``gap_s`` after the run before."""

    column: str
    gap_s: float = Field(600.0, gt=0)


class ValueColumn(Block):
    """One column and the tag that it becomes."""

    column: str
    minus: str | None = Field(None, description="another column, subtracted first")
    skid: str
    tag: str
    unit: str | None = Field(None, description="UCUM code in the recording; the tag's own when absent")
    scale: float = 1.0
    offset: float = 0.0


class RecordingMap(Block):
    """The whole map."""

    version: Literal[1]
    time: TimeColumn
    run: RunColumn | None = None
    columns: tuple[ValueColumn, ...] = Field(min_length=1)


def load_map(path: Path | str, fleet: Fleet) -> RecordingMap:
    """Read and check a map against the fleet; InputFileError lists what is wrong, a line each."""
    found = read_checked(Path(path), RecordingMap, "map")
    wrong = [
        f"{path}: columns.{i}: {problem}"
        for i, column in enumerate(found.columns)
        if (problem := _problem(column, fleet)) is not None
    ]
    if wrong:
        raise InputFileError("\n".join(wrong))
    return found


def _problem(column: ValueColumn, fleet: Fleet) -> str | None:
    skid = fleet.skid(column.skid)
    if skid is None:
        return f"no skid {column.skid!r} in the fleet; there are {', '.join(s.id for s in fleet.skids)}"
    if column.tag not in skid.instruments:
        return f"skid {skid.id} has no instrument {column.tag!r}; it has {', '.join(skid.instruments)}"
    if column.unit is not None:
        try:
            convert(0.0, column.unit, skid.instruments[column.tag].unit)
        except UnitError as error:
            return str(error)
    return None
