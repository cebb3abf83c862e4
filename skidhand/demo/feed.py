"""Cuts the simulator's chunks into short steps of all skids together, in order of arrival."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from simulator.generate import Chunk
from skidhand.model.samples import micros, split_series


@dataclass(frozen=True, slots=True)
class Step:
    """Everything that arrives in the stretch that ends at ``end``, of all skids."""

    end: datetime
    samples: pa.Table


def steps(chunks: Iterable[Chunk], *, minutes: int) -> Iterator[Step]:
    """Steps of ``minutes`` from chunks that come in time order, all skids of one stretch together."""
    gathered: list[Chunk] = []
    for chunk in chunks:
        if gathered and chunk.start != gathered[0].start:
            yield from _cut(gathered, minutes)
            gathered = []
        gathered.append(chunk)
    if gathered:
        yield from _cut(gathered, minutes)


def _cut(chunks: list[Chunk], minutes: int) -> Iterator[Step]:
    samples = pa.concat_tables([chunk.samples for chunk in chunks])
    received = samples["received"].cast(pa.int64()).to_numpy()
    order = np.argsort(received, kind="stable")
    samples, received = samples.take(order), received[order]
    begin, end = 0, chunks[0].start
    while end < chunks[0].end:
        end = min(end + timedelta(minutes=minutes), chunks[0].end)
        stop = int(np.searchsorted(received, micros(end), side="left"))
        # Skid by skid, so that many points share a message; nothing depends on the order between skids.
        arrived = samples.slice(begin, stop - begin)
        yield Step(end, arrived.take(np.argsort(_skid_numbers(arrived), kind="stable")))
        begin = stop


def _skid_numbers(samples: pa.Table) -> npt.NDArray[np.int64]:
    """A number for each row, equal for rows of one skid."""
    series = pd.Series(samples["series"].to_pandas(), dtype="category")
    skids = [split_series(name)[0] for name in series.cat.categories]
    _, number = np.unique(np.asarray(skids, dtype=object), return_inverse=True)
    return np.asarray(number[series.cat.codes.to_numpy()], dtype=np.int64) if skids else np.empty(0, np.int64)
