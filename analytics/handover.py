"""What the next shift must know, from the logbook and the fleet file; signed by both sides as entries."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from uuid import uuid4

from analytics.tanks import Tank, tanks
from skidhand.errors import NotFoundError, UserError
from skidhand.fleet import Fleet
from skidhand.fleet.entries import due_dates
from skidhand.logbook import Logbook
from skidhand.model.entry import Entry
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt, Work
from skidhand.model.watched import Watched
from skidhand.stores.base import Store

SIGNED: Final = "handover"
TAKEN: Final = "handover-taken"
AHEAD: Final = timedelta(days=7)
"""How far ahead instruments that fall due are told."""

WASH: Final = "dp-rise"
TANKS: Final = ("tank-filling", "tank-emptying")
CHEMICAL: Final = "chemical-low"
SET_ASIDE: Final = ("shelved", "suppressed", "out-of-service")
URGENCY: Final = ("high", "medium", "low")


def _pressing(prompt: Prompt) -> tuple[bool, int, datetime]:
    """What still stands before what is back to normal; then the most urgent; then the oldest."""
    return prompt.state == "returned-unacknowledged", URGENCY.index(prompt.priority), prompt.created


@dataclass(frozen=True, slots=True)
class Handover:
    """``due``: (skid, tag, date), the overdue among them. ``learning``: work in the last fortnight that renewed a part;
    ``watched``: what is still learnt, or not watched now. ``washes``: forecasts of a filter's next wash, the soonest
    first. ``levels``: tanks and drums as they stand, ``tanks`` and ``chemicals`` those that were called. ``last``: the
    newest signed handover, ``taken`` when the next shift signed it too.
    """

    open: tuple[Prompt, ...]
    shelved: tuple[Prompt, ...]
    out_of_service: tuple[Work, ...]
    learning: tuple[Entry, ...]
    watched: tuple[Watched, ...]
    washes: tuple[Finding, ...]
    levels: tuple[Tank, ...]
    tanks: tuple[Finding, ...]
    chemicals: tuple[Finding, ...]
    due: tuple[tuple[str, str, date], ...]
    notes: tuple[Entry, ...]
    last: Entry | None
    taken: Entry | None


def handover(
    book: Logbook,
    fleet: Fleet,
    store: Store,
    *,
    now: datetime,
    skids: Collection[str] | None = None,
    sites: Collection[str] | None = None,
) -> Handover:
    """As of ``now``; ``skids``: only those (None: all), and of the tanks that skids share those of ``sites``.

    ``sites``: besides, only what was so on them; a skid that moved in brings no other site's past along.
    """

    def there(skid: str | None, at: datetime) -> bool:
        found = fleet.skid(skid) if skid else None
        place = fleet.placement_at(found, at) if found else None
        return sites is None or (place is not None and place.site in sites)

    chosen = [one for one in fleet.skids if skids is None or one.id in skids]
    shared = {site.id for site in fleet.sites if (skids is None and sites is None) or site.id in (sites or ())}
    names = {one.id for one in chosen} | shared
    prompts = [p for p in book.prompts.open() if p.skid in names or (skids is None and p.skid == "")]
    prompts = [p for p in prompts if sites is None or p.site in sites]
    findings = [f for f in book.look.standing({}).values() if f.skid in names and (sites is None or f.site in sites)]
    calibrations = book.entries.all(kind="calibration")
    last, taken = last_signed(book)
    renewed = [e for e in book.entries.all(kind="work", since=now - timedelta(days=14)) if e.data.get("resets")]
    since = now - timedelta(hours=24) if last is None else last.at
    limit = (now + AHEAD).date()
    return Handover(
        open=tuple(sorted((p for p in prompts if p.state not in SET_ASIDE), key=_pressing)),
        shelved=tuple(p for p in prompts if p.state == "shelved"),
        out_of_service=tuple(w for w in book.work.open() if w.skid in names),
        learning=tuple(e for e in renewed if e.skid in names and there(e.skid, e.at)),
        watched=tuple(w for w in book.analysis.watched(names).values() if w.lines),
        washes=tuple(f for f in _by_forecast(findings, (WASH,)) if f.forecast),
        levels=tuple(tanks(store, fleet, now=now, places=names)),
        tanks=_by_forecast(findings, TANKS),
        chemicals=_by_forecast(findings, (CHEMICAL,)),
        due=tuple((s.id, tag, at) for s in chosen for tag, at in due_dates(s, calibrations, now=now) if at <= limit),
        notes=tuple(
            e for e in book.entries.all(kind="note", since=since)
            if (e.skid is None or e.skid in names) and there(e.skid, e.at)
        ),
        last=last,
        taken=taken,
    )  # fmt: skip


def _by_forecast(findings: list[Finding], kinds: tuple[str, ...]) -> tuple[Finding, ...]:
    found = [f for f in findings if f.kind in kinds]
    return tuple(sorted(found, key=lambda f: (f.forecast is None, f.forecast.when if f.forecast else f.onset)))


def last_signed(book: Logbook) -> tuple[Entry | None, Entry | None]:
    """The newest handover that was signed, and the entry by which it was taken, if it was."""
    signed = book.entries.search(kind=SIGNED, limit=1)
    if not signed:
        return None, None
    taken = [e for e in book.entries.all(kind=TAKEN, since=signed[0].at) if e.data.get("handover") == str(signed[0].id)]
    return signed[0], taken[0] if taken else None


def sign(book: Logbook, told: Handover, *, who: str, note: str, at: datetime) -> Entry:
    """The leaving shift's signature, with what stood and one free note."""
    counts: dict[str, str | float | int | bool | None] = {
        "open": ", ".join(p.code for p in told.open), "shelved": ", ".join(p.code for p in told.shelved),
        "out_of_service": len(told.out_of_service), "due": len(told.due),
    }  # fmt: skip
    entry = Entry(id=uuid4(), at=at, kind=SIGNED, who=who, text=note.strip(), data=counts)
    book.entries.add(entry)
    return entry


def take(book: Logbook, *, who: str, at: datetime) -> Entry:
    """The coming shift's signature. NotFoundError when none waits; UserError when one person would sign both sides."""
    last, taken = last_signed(book)
    if last is None or taken is not None:
        raise NotFoundError("no handover waits to be taken; the leaving shift signs first")
    if last.who == who:
        raise UserError(f"{who} signed as the leaving shift; the coming shift signs as somebody else")
    entry = Entry(id=uuid4(), at=at, kind=TAKEN, who=who, data={"handover": str(last.id), "from": last.who})
    book.entries.add(entry)
    return entry
