"""The logbook: what people did and measured, found, written, and taken from a CSV."""

from __future__ import annotations

import io
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, File, Form, Request, UploadFile
from fastapi.responses import RedirectResponse, Response

from board import entries, when
from board.access import Looking, may_write
from board.house import House, house_of, not_here
from board.render import Nav, render, words_of
from board.viewer import Viewer
from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.fleet.entries import placed
from skidhand.logbook.entry_files import Imported, import_entries, when_of
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import KINDS, make_entry

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/logbook", "nav.logbook", order=40)
MOST: Final = 200
MOST_BYTES: Final = 5_000_000

Writing = Annotated[Viewer, Depends(may_write("answer"))]


@router.get("/logbook")
def page(request: Request, viewer: Looking, find: str = "", kind: str = "", write: str = "note") -> Response:
    """The page; ``write`` chooses the form's kind."""
    return _page(request, viewer, find=find, kind=kind, write=write)


@router.post("/logbook")
async def add(request: Request, viewer: Writing, kind: Annotated[str, Form(max_length=32)]) -> Response:
    """Write an entry; its fields are those of its kind."""
    house = house_of(request)
    fleet = house.fleet().fleet
    fields = {name: str(value) for name, value in (await request.form()).items() if name not in ("csrf", "kind")}
    skid, at, text = fields.pop("skid", "") or None, fields.pop("at", ""), fields.pop("text", "")
    if skid not in _skids(viewer, fleet) and (skid is not None or viewer.sites is not None or kind != "note"):
        raise not_here("skid", skid or "")
    if "unit" in fields:
        fields["unit"] = entries.code_of(kind, fields["unit"])
    moment = when_of(at, fleet, skid) if at else house.now()
    entry = make_entry(kind, moment, viewer.person or viewer.name, skid=skid, text=text, data=dict(fields))
    house.logbook.entries.add(placed(fleet, entry))
    return RedirectResponse(f"/logbook?write={kind}", status_code=303)


@router.post("/logbook/import")
def take(request: Request, viewer: Writing, file: Annotated[UploadFile, File()]) -> Response:
    """Take a CSV; every bad line is told."""
    body = file.file.read(MOST_BYTES + 1)
    if len(body) > MOST_BYTES:
        raise UserError(f"the file is larger than {MOST_BYTES:,} bytes; divide it, or use: skidhand log import")
    try:
        lines = io.StringIO(body.decode("utf-8-sig"), newline="")
    except UnicodeDecodeError as error:
        raise UserError("the file is not UTF-8 text") from error
    house = house_of(request)
    fleet = house.fleet().fleet
    skids = None if viewer.sites is None else set(_skids(viewer, fleet))
    who = viewer.person or viewer.name
    done = import_entries(house.logbook.entries, fleet, lines, who=who, skids=skids)
    return _page(request, viewer, done=done)


def _skids(viewer: Viewer, fleet: Fleet) -> dict[str, str]:
    return {skid.id: skid.name for skid in fleet.skids if viewer.sees_skid(fleet, skid)}


def _page(
    request: Request, viewer: Viewer, *, find: str = "", kind: str = "", write: str = "note",
    done: Imported | None = None,
) -> Response:  # fmt: skip
    house, t = house_of(request), words_of(request)
    fleet = house.fleet().fleet
    skids = _skids(viewer, fleet)
    scope = None if viewer.sites is None else list(skids)
    found = house.logbook.entries.search(find, kind=kind if kind in KINDS else None, skids=scope, limit=MOST)
    chosen = write if write in KINDS else "note"
    return render(
        request, "logbook.html", viewer,
        rows=[_row(house, fleet, one, t) for one in found if _seen(viewer, fleet, one)],
        kinds=list(KINDS), kind=kind, find=find, write=chosen, fields=entries.form(chosen, t), skids=skids, done=done,
        whole=viewer.sites is None,
    )  # fmt: skip


def _seen(viewer: Viewer, fleet: Fleet, entry: Entry) -> bool:
    """Entries of a skid are seen by those who may see it as of then; the fleet's own by those who see all sites."""
    skid = fleet.skid(entry.skid) if entry.skid else None
    if viewer.sites is None:
        return True
    return skid is not None and viewer.sees_at(fleet, skid, entry.at)


def _row(house: House, fleet: Fleet, entry: Entry, t: Any) -> dict[str, Any]:
    skid = fleet.skid(entry.skid) if entry.skid else None
    place = fleet.placement_at(skid, entry.at) if skid else None
    zone = when.zone_of(fleet, place.site if place else None)
    return {
        "when": when.stamp(entry.at, house.now(), zone, t),
        "kind": entries.kind(entry, t),
        "skid": skid.name if skid else "",
        "who": entry.who,
        "text": entry.text,
        "data": list(entries.data(entry, t)),
    }
