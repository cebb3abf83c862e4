"""Samples in a bucket of an InfluxDB server.

Servers from v1.8 on, v2 and v3 should speak what this needs: the v2 write API, and InfluxQL at ``/query``. Tried
is 1.6.7 with a proxy that gives it the v2 write path.

InfluxDB has no transaction, and overwrites a point of the same tags and time. Exactly once, all or nothing and
the order among duplicates rest on this:

* Samples are written first and the batch's ledger point last. A reader asks for each writer's last ledger
  point first and hides rows of later batches, so a batch is seen whole or not at all. A crash between the two
  leaves hidden points; the spool sends those samples again, alone or in a larger batch, and that writes the
  same points once more.
* A writer's points carry its id as a tag, and one spool is one process, so no two processes write one point.
* Of one key a writer keeps two points, slots 0 and 1. A later batch takes the slot that does not hold the
  winner among what has landed (or writes nothing, when its row loses to that winner), so the winner stays
  readable until the new row lands. Readers decide between slots and writers by (received, writer, batch).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import ClassVar, Final

import orjson
import pyarrow as pa

from skidhand.errors import ClockMismatchError, IntegrityError, StoreError, WriterMismatchError
from skidhand.model.quality import BAD, UNCERTAIN
from skidhand.model.samples import micros
from skidhand.stores.base import Ages, Batch, Changes, Landed, Policy, Span, check_clock
from skidhand.stores.buckets import buckets_by_day
from skidhand.stores.influx_lines import (
    CLOCK,
    EARLIEST_US,
    LATEST_US,
    LEDGER,
    any_of,
    between,
    by,
    intervals_of,
    ledger_line,
    merged,
    parse_covers,
    quoted,
    unquoted,
)
from skidhand.stores.influx_lines import SAMPLES as POINTS
from skidhand.stores.influx_read import read_rows
from skidhand.stores.influx_server import Address, Server
from skidhand.stores.influx_slots import Slots
from skidhand.stores.rows import ROWS, batch_rows, last_of_each, merge_spans, micros_of, samples_of

EVER: Final = between(EARLIEST_US, LATEST_US)

_TAKES: Final[dict[str, str]] = {"good": f' AND "quality" < {UNCERTAIN}', "usable": f' AND "quality" < {BAD}'}
"""What each policy asks of a row, as InfluxQL; "all" asks nothing."""


class InfluxStore:
    """A store in one bucket that belongs to skidhand alone. Safe between threads."""

    scheme: ClassVar[str] = "influx"
    lacks: ClassVar[Mapping[str, str]] = {
        "as_of": "InfluxDB keeps no versions: a corrected sample takes the place of an older one",
        "retention": "samples are kept for ever: only the lake has rollups to keep in place of raw samples",
        "verify": "the server keeps its own files, and tells nobody how they lie",
    }

    def __init__(self, address: Address) -> None:
        """Opens no connection yet. SettingsError when the driver is missing."""
        self._server = Server(address)
        self._slots = Slots(self._server)
        self._lock = threading.Lock()  # one write at a time

    @classmethod
    def from_url(cls, url: str) -> InfluxStore:
        """From ``influx://host:8086/bucket?org=name``; the token comes from the environment."""
        return cls(Address.parse(url))

    def write(self, batch: Batch) -> bool:
        """See :meth:`skidhand.stores.base.Store.write`. StoreRefusedError when the server refuses the lines."""
        rows = batch_rows(batch)
        times = micros_of(rows["time"])
        if len(times) and not (times.min() >= EARLIEST_US and times.max() <= LATEST_US):
            raise IntegrityError(f"writer {batch.writer}: batch {batch.number} has a time outside 1677 to 2262")
        covers = intervals_of(times)
        with self._lock:
            last = self.landed(batch.writer)
            if last is not None and batch.number <= last.number:
                self._check_digest(batch)
                return False
            with self._slots.placing(rows, batch, last) as lines:
                self._server.write(lines)
                self._server.write([ledger_line(batch.writer, batch.number, batch.digest, covers)])
            return True

    def _check_digest(self, batch: Batch) -> None:
        at = between(batch.number, batch.number)
        for part in self._server.query([f'SELECT "digest" FROM {LEDGER} WHERE {by(batch.writer)} AND {at}']):
            if part.values[0][1] == quoted(batch.digest):
                return
        raise WriterMismatchError(
            f"writer {batch.writer}: batch {batch.number} is at or below the last that landed, but landed with "
            f"other rows; a spool restored from a copy must mint a new writer id"
        )

    def landed(self, writer: str) -> Landed | None:
        """See :meth:`skidhand.stores.base.Store.landed`."""
        return self._landed(f" AND {by(writer)}").get(writer)

    def _landed(self, more: str = "") -> dict[str, Landed]:
        """The last batch of each writer."""
        last = f'SELECT last("digest") FROM {LEDGER} WHERE {EVER}{more} GROUP BY "writer"'
        return {
            unquoted(part.tags["writer"]): Landed(part.values[0][0] // 1000, unquoted(part.values[0][1]))
            for part in self._server.query([last])
        }

    def _rows(self, conditions: Sequence[str]) -> pa.Table:
        """All visible rows that meet one of the conditions, as ROWS, not deduplicated."""
        return read_rows(self._server, conditions, self._landed)

    def _read(self, series: Sequence[str], start_us: int, end_us: int, policy: Policy) -> pa.Table:
        span = between(start_us, end_us - 1)
        return samples_of(self._rows([f"{names} AND {span}" for names in any_of(series)]), policy)

    def read(
        self,
        series: Sequence[str],
        start: datetime,
        end: datetime,
        *,
        policy: Policy = "all",
        as_of: str | None = None,
    ) -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.read`."""
        self._refuse(as_of)
        return self._read(series, micros(start), micros(end), policy)

    def _refuse(self, as_of: str | None) -> None:
        if as_of is not None:
            raise StoreError(f"as_of {as_of!r}: {self.lacks['as_of']}")

    def latest(self, series: Sequence[str], *, policy: Policy = "all") -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.latest`."""
        found = [samples_of(ROWS.empty_table(), policy)]
        ends = dict.fromkeys(series, LATEST_US)
        while ends:
            newest = self._newest(ends, policy)
            rows = self._rows([f"{one} AND {between(at, at)}" for name, at in newest.items() for one in any_of([name])])
            found.append(samples_of(rows, policy))
            # A row that the policy takes may have lost to one of the same key that it does not take: go on below.
            for name in map(str, found[-1]["series"].to_pylist()):
                del newest[name]
            ends = {name: at - 1 for name, at in newest.items()}
        return last_of_each(pa.concat_tables(found).sort_by([("series", "ascending"), ("time", "ascending")]))

    def _newest(self, ends: Mapping[str, int], policy: Policy) -> dict[str, int]:
        """For each series the time of its newest visible row, up to its end, that the policy takes by itself."""
        by_end: dict[int, list[str]] = {}
        for name, end in ends.items():
            by_end.setdefault(end, []).append(name)
        statements = [
            f'SELECT "batch" FROM {POINTS} WHERE {names} AND {between(EARLIEST_US, end)} AND {by(writer)} '
            f'AND "batch" <= {last.number}{_TAKES.get(policy, "")} GROUP BY "series", "slot" ORDER BY time DESC LIMIT 1'
            for writer, last in self._landed().items()
            for end, group in by_end.items()
            for names in any_of(group)
        ]
        newest: dict[str, int] = {}
        for part in self._server.query(statements):
            name, at = unquoted(part.tags["series"]), part.values[0][0] // 1000
            newest[name] = max(at, newest.get(name, at))
        return newest

    def read_buckets(
        self,
        series: Sequence[str],
        start: datetime,
        end: datetime,
        width: int,
        *,
        policy: Policy = "usable",
        as_of: str | None = None,
    ) -> pa.Table:
        """See :meth:`skidhand.stores.base.Store.read_buckets`.

        From raw samples: the engine's own aggregates know neither which of two rows of a key has won, nor how
        long a value stands.
        """
        self._refuse(as_of)

        def read(start_us: int, end_us: int) -> pa.Table:
            return self._read(series, start_us, end_us, "all")

        return buckets_by_day(read, start, end, width, policy)

    def changes(self, cursor: str | None) -> Changes:
        """See :meth:`skidhand.stores.base.Store.changes`. The cursor is the last batch number of each writer.

        From the start (None) it also tells spans of a batch that is being written; it will tell them again.
        """
        landed = {writer: last.number for writer, last in self._landed().items()}
        since = _numbers(cursor, landed)
        return Changes(_cursor(landed), self._spans(self._changed(since, landed) if since else [EVER]))

    def _changed(self, since: Mapping[str, int], landed: Mapping[str, int]) -> list[str]:
        """For each interval that the batches after ``since`` cover, a condition that only their rows meet."""
        fresh = [writer for writer, number in landed.items() if since.get(writer) != number]
        after = {writer: since.get(writer, EARLIEST_US - 1) for writer in fresh}
        covers: dict[int, list[tuple[int, int]]] = {}
        for part in self._server.query(
            [
                f'SELECT "covers" FROM {LEDGER} WHERE {by(writer)} AND {between(after[writer] + 1, landed[writer])}'
                for writer in fresh
            ]
        ):
            covers.setdefault(part.statement, []).extend(i for _, text in part.values for i in parse_covers(text))
        return [
            f'{by(fresh[n])} AND {between(*span)} AND "batch" > {after[fresh[n]]} AND "batch" <= {landed[fresh[n]]}'
            for n, intervals in covers.items()
            for span in merged(intervals)
        ]

    def _spans(self, conditions: Sequence[str]) -> dict[str, Span]:
        """The first and last time of each series among the rows that meet one of the conditions."""
        ends = [
            f'SELECT {end}("batch") FROM {POINTS} WHERE {condition} GROUP BY "series"'
            for condition in conditions
            for end in ("first", "last")
        ]
        spans: dict[str, Span] = {}
        for part in self._server.query(ends):
            at = part.values[0][0] // 1000
            merge_spans(spans, [(unquoted(part.tags["series"]), Span(at, at))])
        return spans

    def series(self) -> list[str]:
        """See :meth:`skidhand.stores.base.Store.series`; one of a batch that is being written is told already."""
        names = self._server.query([f'SHOW TAG VALUES FROM {POINTS} WITH KEY = "series"'])
        return sorted({unquoted(value) for part in names for _, value in part.values})

    def version(self) -> str:
        """The last batch of each writer; not accepted as ``as_of`` (see ``lacks``)."""
        return _cursor({writer: last.number for writer, last in self._landed().items()})

    def set_clock(self, kind: str) -> None:
        """See :meth:`skidhand.stores.base.Store.set_clock`.

        Each kind has a point of its own, so that two processes that set different ones at once see both
        (both are refused, and the bucket is spoilt) instead of the later hiding the earlier.
        """
        check_clock(kind)
        if not self._clocks():
            self._server.write([f"skidhand_clock,kind={kind} set=1i 0"])
        found = self._clocks()
        if found != {kind}:
            raise ClockMismatchError(
                f"influx store {self._server.address.bucket} runs on the {' and the '.join(sorted(found))} clock, "
                f"not {kind}"
            )

    def _clocks(self) -> set[str]:
        kinds = self._server.query([f'SELECT "set" FROM {CLOCK} WHERE {EVER} GROUP BY "kind"'])
        return {part.tags["kind"] for part in kinds}

    def tidy(self, *, now: datetime, keep: Mapping[str, Ages] | None = None) -> Iterator[str]:  # noqa: ARG002
        """Nothing to do: the server compacts by itself, and skidhand keeps all."""
        if keep:
            raise StoreError(f"retention: {self.lacks['retention']}")
        yield "influx: nothing to do, the server compacts by itself"

    def verify(self) -> Iterator[str]:
        """Not here (see ``lacks``)."""
        raise StoreError(f"verify: {self.lacks['verify']}")

    def close(self) -> None:
        """Let go of the connections."""
        self._server.close()


def _cursor(landed: Mapping[str, int]) -> str:
    return orjson.dumps(landed, option=orjson.OPT_SORT_KEYS).decode()


def _numbers(cursor: str | None, landed: Mapping[str, int]) -> dict[str, int]:
    """Writer → number of a cursor; StoreError when it cannot be of this store."""
    if cursor is None:
        return {}
    try:
        since = orjson.loads(cursor)
    except orjson.JSONDecodeError:
        since = None
    if not isinstance(since, dict) or not all(
        isinstance(number, int) and number <= landed.get(writer, number - 1) for writer, number in since.items()
    ):
        raise StoreError(f"cursor {cursor!r} is not of this store; read everything anew (cursor None)")
    return since


PLUGIN = InfluxStore
