"""Samples on their way from the judge to the spool, as arrays side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from skidhand.model.samples import SAMPLES, TIMESTAMP

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(slots=True)
class Columns:
    """One sample a row, in order of receipt. ``codes`` are series codes of the lookup; NaN is no reading."""

    codes: Ints
    times: Ints  # microseconds
    values: Floats
    quality: Ints
    received: Ints  # microseconds; never falls

    def __len__(self) -> int:
        return len(self.codes)

    def take(self, rows: Ints | Mask) -> Columns:
        """The rows at these indices, or where the mask is true."""
        return Columns(self.codes[rows], self.times[rows], self.values[rows], self.quality[rows], self.received[rows])

    def table(self, series: pa.StringArray) -> pa.Table:
        """As ``samples``; ``series`` gives the name of each code."""
        names: Any = pa.DictionaryArray.from_arrays(self.codes, series).cast(pa.string())
        columns: list[Any] = [names, pa.array(self.times).cast(TIMESTAMP)]
        columns += [pa.array(self.values, mask=np.isnan(self.values)), pa.array(self.quality)]
        columns += [pa.array(self.received).cast(TIMESTAMP)]
        return pa.table(columns, schema=SAMPLES)


def joined(first: Columns, *others: Columns) -> Columns:
    """All rows, one after the other."""
    if not any(map(len, others)):
        return first
    every = (first, *others)
    return Columns(
        np.concatenate([each.codes for each in every]),
        np.concatenate([each.times for each in every]),
        np.concatenate([each.values for each in every]),
        np.concatenate([each.quality for each in every]),
        np.concatenate([each.received for each in every]),
    )
