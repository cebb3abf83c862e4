"""Entries from a CSV: each line that is wrong is told with its number and reason, the others are taken."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.fleet.entries import placed
from skidhand.logbook.entries import EntryBook
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import KINDS, make_entry

NAMED = ("at", "kind", "skid", "who", "text")
"""Columns of every kind; the others are fields of the kind. Only at and kind must be there."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What became of a file: entries that are new, entries that stood already, and (line, reason) of the rest."""

    new: int
    known: int
    refused: tuple[tuple[int, str], ...]


def import_entries(
    book: EntryBook, fleet: Fleet, lines: Iterable[str], *, who: str, skids: set[str] | None
) -> Imported:
    """Read a CSV with a header of NAMED and fields. ``skids``: those that may be written of; None: all.

    UserError when the header is wrong, and then nothing is taken.
    """
    good: list[Entry] = []
    refused: list[tuple[int, str]] = []
    for number, row in _rows(lines):
        try:
            entry = _entry(fleet, row, who)
            if skids is not None and entry.skid not in skids:
                raise UserError(f"skid {entry.skid!r} is not yours to write of")
            good.append(entry)
        except UserError as error:
            refused.append((number, str(error)))
    fresh = book.add_new(good)
    return Imported(sum(fresh), len(fresh) - sum(fresh), tuple(refused))


def _rows(lines: Iterable[str]) -> Iterator[tuple[int, dict[str, str]]]:
    reader = csv.reader(lines)
    header = [name.strip().lstrip("\ufeff") for name in next(reader, [])]
    known = {*NAMED, *(field for kind in KINDS.values() for field in kind.model_fields)}
    wrong = [name for name in header if name not in known]
    if "at" not in header or "kind" not in header or wrong or len(set(header)) < len(header):
        told = f"; {', '.join(map(repr, wrong))} is none" if wrong else ""
        raise UserError(f"the first line must name the columns, at and kind among them, each once{told}")
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            raise UserError(f"line {reader.line_num}: {error}") from error
        if cells is None:
            return
        if any(cell.strip() for cell in cells):
            extra = {"": "more cells than columns"} if len(cells) > len(header) else {}
            yield reader.line_num, {**dict(zip(header, map(str.strip, cells), strict=False)), **extra}


def _entry(fleet: Fleet, row: dict[str, str], who: str) -> Entry:
    if "" in row:
        raise UserError(row[""])
    skid = row.get("skid") or None
    data = {name: value for name, value in row.items() if name not in NAMED}
    moment = when_of(row["at"], fleet, skid)
    entry = make_entry(
        row["kind"], moment, row.get("who") or who, skid=skid, text=row.get("text", ""), data=data, once=True
    )
    return placed(fleet, entry)


def when_of(text: str, fleet: Fleet, skid: str | None) -> datetime:
    """A time; without a zone it is the skid's site's own, as people write it down. UserError otherwise."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UserError(f"at {text!r}: not a time; write it as 2026-03-01 14:30") from error
    if moment.tzinfo is not None:
        return moment.astimezone(UTC)
    found = fleet.skid(skid) if skid else None
    if found is None:
        raise UserError(f"at {text!r}: without a skid it needs a time zone, as 2026-03-01T14:30Z")
    place = fleet.placement_at(found, moment.replace(tzinfo=UTC)) or found.placements[-1]
    return moment.replace(tzinfo=ZoneInfo(fleet.site(place.site).timezone)).astimezone(UTC)
