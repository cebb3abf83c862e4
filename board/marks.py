"""What happened over a span of a trend: findings, prompts, washes, stops, entries of the logbook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from board import entries, sentences
from board.house import House
from board.viewer import Viewer
from board.words import Words
from skidhand.fleet import Skid
from skidhand.model.finding import Finding
from skidhand.model.samples import series_id
from skidhand.stores.base import WIDTHS

MOST: Final = 60


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing: ``sort`` finding, gap, wash, stop, prompt or entry; ``end`` None: it goes on."""

    sort: str
    start: datetime
    end: datetime | None
    text: str
    href: str = ""
    level: str = ""


def marks(house: House, viewer: Viewer, skid: Skid, start: datetime, end: datetime, t: Words) -> list[Mark]:
    """All of them, in order of their beginning, the newest MOST. Customers see none."""
    if viewer.customer:
        return []
    sites = None if viewer.sites is None else sorted(viewer.sites)
    found = house.logbook.look.findings(skids=[skid.id], sites=sites, overlaps=(start, end), limit=MOST)
    told = [*_findings(found, t), *_washes(skid, found, t), *_prompts(house, viewer, skid, start, end, t)]
    told += _states(house, viewer, skid, start, end, t)
    for entry in house.logbook.entries.all(skid=skid.id, since=start):
        if entry.at < end and viewer.sees_at(house.fleet().fleet, skid, entry.at):
            text = f"{entries.kind(entry, t)}: {entries.line(entry, t)}"
            told.append(Mark("entry", entry.at, entry.at, text))
    seen = [mark for mark in told if mark.start < end and (mark.end is None or mark.end >= start)]
    return sorted(seen, key=lambda mark: mark.start)[-MOST:]


def _findings(found: Sequence[Finding], t: Words) -> Iterator[Mark]:
    for one in found:
        text = t.what(one.kind, one.unit)
        sort = "gap" if one.kind == "no-data" else "finding"
        yield Mark(sort, one.onset, one.ended, text, f"/events/{one.id}", one.severity)


def _washes(skid: Skid, found: Sequence[Finding], t: Words) -> Iterator[Mark]:
    """Where no tag tells of a wash: a rise that is over, for the drop came down."""
    told = {unit.id for unit in skid.units if "backwash" in unit.roles}
    for one in found:
        if one.kind == "dp-rise" and one.ended is not None and one.unit not in told:
            yield Mark("wash", one.ended, one.ended, f"{one.unit}: {t('trend.backwash')}")


def _prompts(house: House, viewer: Viewer, skid: Skid, start: datetime, end: datetime, t: Words) -> Iterator[Mark]:
    sites = None if viewer.sites is None else sorted(viewer.sites)
    found = house.logbook.look.prompts(skids=[skid.id], sites=sites, open_only=False, limit=MOST)
    found = [one for one in found if start <= one.created < end]
    titles = sentences.titles(house, found, t)
    for one in found:
        text = f"{t('trend.prompt')} {one.code}: {titles[one.id]} ({t(f'prompt.{one.state}')})"
        yield Mark("prompt", one.created, one.created, text, f"/events/{one.root}" if one.findings else "")


def _states(house: House, viewer: Viewer, skid: Skid, start: datetime, end: datetime, t: Words) -> Iterator[Mark]:
    """Washes and stops that a tag tells of, as exactly as the buckets allow."""
    washed = {u.roles["backwash"]: u.id for u in skid.units if u.type == "media_filter" and "backwash" in u.roles}
    running = {u.roles["running"] for u in skid.units if u.type == "skid" and "running" in u.roles}
    tags = [*washed, *running]
    width = next((w for w in WIDTHS if w >= (end - start).total_seconds() / 1500.0), WIDTHS[-1])
    for a, b in viewer.clip(house.fleet().fleet, skid, start, end) if tags else ():
        table = house.store.read_buckets([series_id(skid.id, tag) for tag in tags], a, b, width)
        columns: dict[str, list[Any]] = {name: table[name].to_pylist() for name in ("series", "start", "min", "max")}
        for tag in tags:
            name = series_id(skid.id, tag)
            rows = [i for i, series in enumerate(columns["series"]) if series == name]
            on: list[datetime] = [
                columns["start"][i]
                for i in rows
                if ((columns["max"][i] or 0) > 0 if tag in washed else columns["min"][i] == 0)
            ]
            text = f"{washed[tag]}: {t('trend.backwash')}" if tag in washed else t("trend.stop")
            sort = "wash" if tag in washed else "stop"
            yield from (Mark(sort, first, last, text) for first, last in _runs(on, timedelta(seconds=width)))


def _runs(starts: Sequence[datetime], step: timedelta) -> Iterator[tuple[datetime, datetime]]:
    """Buckets that follow each other (one may be missing between) as (first start, last end)."""
    begin = last = None
    for start in starts:
        if begin is None or last is None or start - last > 2 * step:
            if begin is not None and last is not None:
                yield begin, last + step
            begin = start
        last = start
    if begin is not None and last is not None:
        yield begin, last + step
