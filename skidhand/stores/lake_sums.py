"""What the rows of each day amount to: their count and a checksum that does not depend on their order.

Every append says in its commit what it adds to each day, and every merge what it takes away. The sums of all
commits must then equal what the live files hold, which is how ``verify`` finds a row that was lost, doubled or
changed anywhere between the write and the last merge.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from skidhand.stores.buckets import DAY, codes
from skidhand.stores.rows import micros_of

_MASK: Final = 2**64 - 1

Hashes = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Sum:
    """Rows, and the sum of their hashes modulo 2⁶⁴."""

    rows: int = 0
    hashes: int = 0

    def __add__(self, other: Sum) -> Sum:
        return Sum(self.rows + other.rows, (self.hashes + other.hashes) & _MASK)

    def __sub__(self, other: Sum) -> Sum:
        return Sum(self.rows - other.rows, (self.hashes - other.hashes) & _MASK)


def sum_of(rows: pa.Table) -> Sum:
    """The sum of a table that has the columns of SAMPLES."""
    return Sum(len(rows), int(_row_hashes(rows).sum(dtype=np.uint64)))


def day_sums(rows: pa.Table) -> dict[int, Sum]:
    """The sum for each day (counted from the UTC epoch) that has rows."""
    if len(rows) == 0:
        return {}
    day, hashes = micros_of(rows["time"]) // DAY, _row_hashes(rows)
    order = np.argsort(day, kind="stable")
    at = np.flatnonzero(np.append(True, np.diff(day[order]) != 0))
    counts = np.diff(np.append(at, len(day)))
    totals = np.add.reduceat(hashes[order], at)
    return {int(d): Sum(int(n), int(h)) for d, n, h in zip(day[order][at], counts, totals, strict=True)}


def pack_sums(sums: Mapping[int, Sum]) -> list[list[int]]:
    """``[[day, rows, hashes], …]``, as a commit carries it."""
    return [[day, sum_.rows, sum_.hashes] for day, sum_ in sorted(sums.items())]


def _row_hashes(rows: pa.Table) -> Hashes:
    code, names = codes(rows["series"])
    texts = [hashlib.blake2b(str(name).encode(), digest_size=8).digest() for name in names.to_pylist()]
    hashes: Hashes = np.frombuffer(b"".join(texts), dtype="<u8")[code] if len(texts) else np.zeros(0, np.uint64)
    value = rows["value"]
    filled: npt.NDArray[np.float64] = np.where(value.is_null().to_numpy(), 0.0, value.to_numpy())
    bits: Hashes = filled.view(np.uint64)
    null: Hashes = value.is_null().to_numpy().astype(np.uint64)
    hashes = _mixed(_mixed(hashes ^ bits) + null)
    for name in ("time", "quality", "received"):
        hashes = _mixed(hashes ^ micros_of(rows[name]).view(np.uint64))
    return hashes


def _mixed(bits: Hashes) -> Hashes:
    """The finaliser of SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom number generators, 2014)."""
    bits = (bits ^ (bits >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    bits = (bits ^ (bits >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return bits ^ (bits >> np.uint64(31))
