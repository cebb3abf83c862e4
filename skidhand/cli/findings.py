"""``skidhand findings``: what analytics has found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    SkidOption,
    known_skid,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
)
from skidhand.cli.output import print_rows
from skidhand.errors import NotFoundError

if TYPE_CHECKING:
    from skidhand.model.finding import Finding

COLUMNS = (
    "onset", "detected", "ended", "state", "site", "skid", "unit",
    "kind", "cause", "severity", "confidence", "forecast", "id",
)  # fmt: skip


def command(
    skid: SkidOption = None,
    since: Annotated[str | None, typer.Option("--since", metavar="TIME", help="Begun at or after this time.")] = None,
    kind: Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Only this kind, e.g. dp-rise.")] = None,
    open: Annotated[bool, typer.Option("--open", help="Only what has not ended.")] = False,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """List findings, oldest onset first, each in its last revision.

    \b
    Example:
        skidhand findings --skid tf-skid-1 --since 2026-03-01 --open
    """
    from skidhand.model.kinds import KINDS

    if kind is not None and kind not in KINDS:
        raise NotFoundError(f"no kind of finding {kind!r}; there are {', '.join(KINDS)}")
    settings = settings_from(settings_file, logbook=logbook)
    book, _ = look_into_logbook(settings)
    with book:
        known_skid(book, skid, sites=True)
        found = book.analysis.current(skid=skid, since=parse_time(since) if since else None)
        watched = book.analysis.watched(None if skid is None else {skid})
    chosen = [f for f in found if (kind is None or f.kind == kind) and (not open or f.state == "open")]
    print_rows([_row(finding) for finding in chosen], COLUMNS, format)
    unseen = [one for one in watched.values() if one.lines]
    if skid is None and unseen:
        talk(f"{len(unseen)} skids are still learning or not watched now: skidhand handover, or findings --skid ID.")
    for line in [line for one in unseen for line in one.lines] if skid else []:
        ends = f", not before {line.not_before:%Y-%m-%d %H:%M}Z" if line.not_before else ""
        talk(f"{line.unit or skid} since {line.since:%Y-%m-%d %H:%M}Z: {line.words}{ends}")


def _row(finding: Finding) -> dict[str, Any]:
    row = {name: getattr(finding, name, None) for name in COLUMNS}
    return {**row, "id": str(finding.id), "forecast": finding.forecast.when if finding.forecast else None}
