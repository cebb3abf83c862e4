"""Noise-free states of a simulated plant, a row a minute, for scoring and for pictures."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from simulator.pad import SitePlant, pads
from simulator.scenario import Scenario
from simulator.skid_plant import SkidPlant, whole_minutes
from simulator.streams import Floats
from skidhand.model.samples import TIMESTAMP

_FIELDS: list[pa.Field[Any]] = [
    pa.field("skid", pa.string(), nullable=False),
    pa.field(
        "quantity", pa.string(), nullable=False
    ),  # <unit id>.<role>; the type stands for a unit that the fleet file does not name
    pa.field("time", TIMESTAMP, nullable=False),
    pa.field("value", pa.float64(), nullable=False),  # in the unit that the unit type declares for the role
]
STATES: Final = pa.schema(_FIELDS)
BLOCK_MINUTES: Final = 1440


def states_of(
    scenario: Scenario, *, hours: float | None = None, skids: int | None = None, seed: int | None = None
) -> Iterator[pa.Table]:
    """States (schema STATES) of each skid and shared tank, a day at a time, sorted by (quantity, time) within a table.

    The arguments are those of :func:`simulator.generate`; a state stands at the end of its minute.
    """
    total = whole_minutes(scenario.file.hours if hours is None else hours)
    number = scenario.file.seed if seed is None else seed
    for pad in pads(scenario, scenario.chosen(skids), number):
        for begin in range(0, total, BLOCK_MINUTES):
            every = pad.run(min(BLOCK_MINUTES, total - begin))
            for plant, rows in zip(pad.members(), every, strict=True):
                yield _table(plant, rows[1:], scenario, begin)


def write_states(tables: Iterator[pa.Table], path: Path | str) -> int:
    """Write states to one Parquet file; gives the number of rows."""
    count = 0
    with pq.ParquetWriter(str(path), STATES, compression="zstd") as writer:
        for table in tables:
            writer.write_table(table)
            count += table.num_rows
    return count


def _table(plant: SkidPlant | SitePlant, rows: Floats, scenario: Scenario, begin: int) -> pa.Table:
    count = len(rows)
    names = [f"{unit}.{role}" for unit, role in plant.columns]
    first = scenario.start + timedelta(minutes=begin + 1)
    times = pa.array([first + timedelta(minutes=i) for i in range(count)], TIMESTAMP)
    return pa.table(
        [
            pa.array([plant.skid.id] * (count * len(names)), pa.string()),
            pa.array(names, pa.string()).take(np.repeat(np.arange(len(names)), count)),
            times.take(np.tile(np.arange(count), len(names))),
            pa.array(rows.T.ravel()),
        ],
        schema=STATES,
    )
