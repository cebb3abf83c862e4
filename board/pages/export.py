"""Export: the same request as ``skidhand export``, as a file to download."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, Response
from starlette.background import BackgroundTask

from analytics.export import Request as Wanted
from analytics.export import export, series_names
from analytics.export_corrected import Corrections, corrections_of
from analytics.export_dictionary import dictionary_csv
from analytics.export_files import Format
from board.access import Looking
from board.house import House, house_of, not_here
from board.render import Nav, render
from board.viewer import Viewer
from skidhand.errors import UserError
from skidhand.fleet import Fleet, FleetVersion, Skid, skid_view
from skidhand.stores.base import WIDTHS, Policy

router = APIRouter(include_in_schema=False)
NAV: Final = Nav("/export", "nav.export", order=60)
LONGEST: Final = timedelta(days=92)
TYPES: Final[dict[Format, str]] = {
    "csv": "text/csv",
    "json": "application/json",
    "parquet": "application/vnd.apache.parquet",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@router.get("/export")
def page(request: Request, viewer: Looking, skid: str = "") -> Response:
    """The form."""
    house = house_of(request)
    fleet, now = house.fleet().fleet, house.now()
    skids = {one.id: one.name for one in fleet.skids if viewer.sees_skid(fleet, one)}
    chosen = skid if skid in skids else next(iter(skids), "")
    found = fleet.skid(chosen)
    midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return render(
        request, "export.html", viewer, skids=skids, chosen=chosen, formats=list(TYPES), widths=WIDTHS,
        names=series_names(skid_view(found)) if found else [],
        since=f"{midnight - timedelta(days=1):%Y-%m-%dT%H:%M}", until=f"{midnight:%Y-%m-%dT%H:%M}",
    )  # fmt: skip


@router.get("/export/file")
def file(
    request: Request, viewer: Looking, skid: str, since: datetime, until: datetime,
    series: Annotated[list[str] | None, Query(max_length=500)] = None,
    stage: Literal["raw", "cleaned"] = "raw",
    resolution: str = "",
    policy: Policy = "usable",
    format: Format = "csv",
    as_of: str = "",
) -> Response:  # fmt: skip
    """The file, written to disk first so that an error is one, and removed when it has been sent.

    ``as_of``: the store's version that an earlier answer named (``X-Store-Version``, and the files' own metadata).
    """
    house = house_of(request)
    version = house.fleet()
    start, end = (moment if moment.tzinfo else moment.replace(tzinfo=UTC) for moment in (since, until))
    _allowed(viewer, version.fleet, skid, start, end)
    if resolution and not resolution.isdecimal():
        raise UserError(f"resolution {resolution!r}: seconds, or nothing")
    wanted = Wanted(skid, start, end, tuple(series or ()), stage, int(resolution) if resolution else None, policy)
    with tempfile.NamedTemporaryFile(prefix="skidhand-export-", delete=False) as place:
        path = Path(place.name)
    try:
        pinned = as_of.strip() or None
        corrections = _corrections(house, viewer, version, skid, pinned) if stage == "cleaned" else {}
        done = export(house.store, version, wanted, format=format, out=path, as_of=pinned, corrections=corrections)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    name = f"{skid}-{start:%Y%m%d}-{end:%Y%m%d}.{format}"
    return FileResponse(
        path, media_type=TYPES[format], filename=name, headers={"X-Store-Version": done.version},
        background=BackgroundTask(path.unlink, missing_ok=True),
    )  # fmt: skip


@router.get("/export/dictionary")
def dictionary(request: Request, viewer: Looking, skid: str) -> Response:
    """What each series is, as CSV."""
    house = house_of(request)
    version = house.fleet()
    view = skid_view(_skid(viewer, version.fleet, skid))
    corrections = _corrections(house, viewer, version, skid)
    told = {"Content-Disposition": f'attachment; filename="{view.id}.dictionary.csv"'}
    return Response(
        dictionary_csv(view, series_names(view, corrections), corrections), media_type="text/csv", headers=told
    )


def _corrections(
    house: House, viewer: Viewer, version: FleetVersion, skid: str, as_of: str | None = None
) -> Corrections:
    """By what was sampled while this viewer may see the skid."""
    found = _skid(viewer, version.fleet, skid)
    entries = house.logbook.entries.all(skid=skid)
    seen = [one for one in entries if viewer.sees_at(version.fleet, found, one.at)]
    return corrections_of(house.store, version, skid, seen, as_of=as_of)


def _skid(viewer: Viewer, fleet: Fleet, skid: str) -> Skid:
    found = fleet.skid(skid)
    if found is None or not viewer.sees_skid(fleet, found):
        raise not_here("skid", skid)
    return found


def _allowed(viewer: Viewer, fleet: Fleet, skid: str, start: datetime, end: datetime) -> None:
    found = _skid(viewer, fleet, skid)
    if not timedelta(0) < end - start <= LONGEST:
        raise UserError(f"a span of up to {LONGEST.days} days from here; for more use: skidhand export")
    if viewer.sites is not None and viewer.clip(fleet, found, start, end) != [(start, end)]:
        raise UserError("the skid did not stand on your sites all of that time; ask for a shorter span")
