"""What ``doctor`` looks at. Each look tells what it found; one that fails never stops the others."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from skidhand.clock import WallClock
from skidhand.errors import SkidhandError
from skidhand.logbook import Logbook
from skidhand.model.heartbeat import RETIRED, Heartbeat
from skidhand.settings import Settings

SILENT: Final = {
    "ingest": timedelta(minutes=1),
    "analyze": timedelta(minutes=10),
    "alerts": timedelta(minutes=2),
    "tidy": timedelta(hours=1),
    "report": timedelta(hours=1),
}
"""Age of a service's last heartbeat from which it counts as gone; a long backlog may keep analysis busy."""

BEHIND_S: Final = {"ingest": 300.0, "analyze": 900.0}
"""Lag in seconds from which a service counts as behind."""

RECENT: Final = timedelta(hours=1)
"""Age up to which an instance that ended without a word is shown although another goes on."""

LASTING: Final = timedelta(days=14)
"""How long an ingest worker that is silent is told: its spool and its session at the broker may hold samples."""


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that was looked at. ``well`` None: for information."""

    part: str
    what: str
    well: bool | None
    note: str


def examine(settings: Settings) -> list[Found]:
    """Everything, in the order in which data flows."""
    looks: tuple[tuple[str, str, Callable[[Settings], Iterator[Found]]], ...] = (
        ("broker", f"{settings.broker.host}:{settings.broker.port}", _broker),
        ("spool", str(settings.spool_file), _spool),
        ("store", settings.store, _store),
        ("logbook", shown(settings, "logbook"), _logbook),
    )
    found: list[Found] = []
    for part, what, look in looks:
        try:
            found += look(settings)
        except SkidhandError as error:
            found.append(Found(part, what, False, str(error)))
    return found


def shown(settings: Settings, name: str) -> str:
    """A setting's value as it may be shown: without its secret."""
    return next(one.value for one in settings.explain() if one.name == name)


def _broker(settings: Settings) -> Iterator[Found]:
    from simulator.publish import Publisher
    from skidhand.cli.services import connection

    link = Publisher(**connection(settings.broker), timeout_s=5.0)
    link.connect()
    link.close()
    yield Found("broker", f"{settings.broker.host}:{settings.broker.port}", True, "answers")


def _spool(settings: Settings) -> Iterator[Found]:
    from ingest.doubts import MEANING as DOUBTED
    from ingest.doubts import Doubt
    from ingest.peek import peek
    from ingest.reasons import MEANING, Reason

    path = settings.spool_file
    if not path.is_file():  # on another host, or ingest has never run: its heartbeat tells which
        yield Found("spool", str(path), None, "not here")
        return
    seen = peek(path)
    oldest = "" if seen.oldest_us is None else f", the oldest {_age_us(seen.oldest_us)} old"
    yield Found("spool", str(path), True, f"samples waiting: {seen.samples:,} ({seen.bytes:,} bytes{oldest})")
    for reason, count in seen.refused.items():
        means = MEANING[Reason(reason)] if reason in {*Reason} else "a reason of another version"
        yield Found("refused", reason, None, f"{count:,} since the spool was made: {means}")
    for doubt, count in seen.doubted.items():
        means = DOUBTED[Doubt(doubt)] if doubt in {*Doubt} else "a doubt of another version"
        yield Found("in doubt", doubt, None, f"{count:,} since the spool was made: {means}")
    if seen.aside:
        kept = f"{seen.aside:,} samples that the store refuses are kept, and tried again when ingest starts"
        yield Found("set aside", str(path), False, f"{kept}: {seen.aside_reason}")
    for line in seen.last:
        excerpt = line.excerpt[:60].decode("utf-8", "backslashreplace")
        note = f"{line.at:%Y-%m-%d %H:%M:%SZ} {line.topic!r}: {line.detail}; payload begins {excerpt!r}"
        yield Found("last refused", line.reason, None, note)


def _store(settings: Settings) -> Iterator[Found]:
    from skidhand.stores import open_store

    what = settings.store
    if "://" not in what and not Path(what).expanduser().is_dir():
        yield Found("store", what, False, "there is nothing yet; ingest makes it")
        return
    with closing(open_store(what)) as store:
        yield Found("store", what, True, f"{len(store.series())} series, version {store.version()}")


def _logbook(settings: Settings) -> Iterator[Found]:
    what = shown(settings, "logbook")
    if "://" not in what and not Path(what).expanduser().is_file():
        yield Found("logbook", what, False, "there is none yet; 'skidhand check FLEET --apply' makes it")
        return
    with Logbook(settings.logbook) as book:
        yield Found("logbook", what, True, "answers, its schema is this program's")
        yield _clock(book, settings)
        yield _fleet(book)
        beats = book.heartbeats.all()
        yield from _services(beats)
        yield from _skids(book, beats)


def _clock(book: Logbook, settings: Settings) -> Found:
    kept = book.database.clock_kind()
    if kept not in (None, settings.clock):
        return Found("clock", kept or "", False, f"the logbook keeps {kept} time, the settings say {settings.clock}")
    announced = book.clock.announced()
    note = f"the stream has come to {announced:%Y-%m-%d %H:%M:%SZ}" if announced else ""
    return Found("clock", settings.clock, True, note if settings.clock == "stream" else "")


def _fleet(book: Logbook) -> Found:
    versions = book.fleets.versions()
    if not versions:
        return Found("fleet", "", False, "no version is in force: 'skidhand check FLEET --apply'")
    effective, version = versions[-1]
    skids = len(version.fleet.skids)
    note = f"version {version.digest[:12]}, {skids} skids, in force from {effective:%Y-%m-%d %H:%M:%SZ}"
    return Found("fleet", version.fleet.fleet, True, note)


def _services(beats: list[Heartbeat]) -> Iterator[Found]:
    now = WallClock().now()
    for service in [*SILENT, *sorted({beat.service for beat in beats} - set(SILENT))]:
        mine = sorted((beat for beat in beats if beat.service == service), key=lambda beat: beat.at, reverse=True)
        if not mine:
            yield Found(service, "", False, "has never been seen")
        workers = service == "ingest"  # each has a spool of its own, so none stands in for another
        for i, beat in enumerate(mine):
            if i == 0 or _still_counts(beat, now, worker=workers):
                yield _service(beat, now, judged=i == 0 or (workers and beat.note != RETIRED))


def _gone(beat: Heartbeat, now: datetime) -> bool:
    return now - beat.at > SILENT.get(beat.service, timedelta(minutes=10)) or beat.note in ("stopped", RETIRED)


def _still_counts(beat: Heartbeat, now: datetime, *, worker: bool) -> bool:
    """Whether an instance is told although a newer one of its service has been seen."""
    age = now - beat.at
    if worker and beat.note != RETIRED:
        return age < LASTING or bool(beat.depth)
    return not _gone(beat, now) or (beat.note not in ("stopped", RETIRED) and age < RECENT)


def _service(beat: Heartbeat, now: datetime, *, judged: bool) -> Found:
    age = now - beat.at
    gone = _gone(beat, now)
    behind = (beat.lag_s or 0.0) > BEHIND_S.get(beat.service, float("inf"))
    told = [f"seen {_age(age)} ago, version {beat.version}"]
    if beat.lag_s is not None:
        told.append(f"{beat.lag_s:.0f} s behind")
    if beat.depth is not None:
        told.append(f"{beat.depth:,} waiting")
    told += [f"{name} {figure:,.6g}" for name, figure in beat.figures.items()]
    told += [f"refused {reason}: {count:,}" for reason, count in beat.refusals.items()]
    told += [f"in doubt {doubt}: {count:,}" for doubt, count in beat.doubts.items()]
    if beat.service == "ingest" and gone and age > RECENT:
        told.append(f"if it is not to come back: 'skidhand ingest --drain {beat.instance}'")
    told += [beat.note] if beat.note else []
    # An instance that gave way to a newer one is no trouble of today.
    return Found(beat.service, beat.instance, not (gone or behind) if judged else None, ", ".join(told))


def _skids(book: Logbook, beats: list[Heartbeat]) -> Iterator[Found]:
    seen: dict[str, datetime] = {}
    for beat in beats:
        for skid, moment in beat.last_seen.items():
            seen[skid] = max(moment, seen.get(skid, moment))
    version = book.fleets.current()
    for placed in version.fleet.skids if version else ():
        last = seen.get(placed.id)
        note = f"last seen {last:%Y-%m-%d %H:%M:%SZ}" if last else "not seen since ingest started"
        yield Found("skid", placed.id, None, note)


def _age_us(us: int) -> str:
    from skidhand.model.samples import moment

    return _age(WallClock().now() - moment(us))


def _age(age: timedelta) -> str:
    seconds = max(0.0, age.total_seconds())
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
