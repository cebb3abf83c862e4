"""A row of the spool: one batch, packed, numbered and chained."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import pyarrow as pa

from skidhand.model.samples import SAMPLES


@dataclass(frozen=True, slots=True)
class Row:
    """One spooled batch. ``announced_us``: stream time that may be announced once the samples are stored."""

    number: int
    digest: str
    samples: int
    announced_us: int | None
    payload: bytes

    def table(self) -> pa.Table:
        """The samples."""
        return pa.ipc.open_stream(self.payload).read_all()


@dataclass(frozen=True, slots=True)
class Depth:
    """What waits for the store. ``oldest_us``: wall time at which the oldest row was spooled, or None."""

    rows: int
    samples: int
    bytes: int
    oldest_us: int | None


def chained(before: str, payload: bytes) -> str:
    """The digest (hex) of a batch that follows the one with digest ``before``."""
    return hashlib.sha256(before.encode() + payload).hexdigest()


def packed(samples: pa.Table) -> bytes:
    """``samples`` as a row's payload: an Arrow stream, zstd."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, SAMPLES, options=pa.ipc.IpcWriteOptions(compression="zstd")) as writer:
        writer.write_table(samples)
    return sink.getvalue().to_pybytes()
