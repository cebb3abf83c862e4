"""``skidhand handover``: what the next shift must know."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Annotated, Any

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    SkidOption,
    StoreOption,
    fleet_of,
    known_skid,
    look_into_logbook,
    settings_from,
    talk,
    user_name,
)
from skidhand.cli.output import print_rows
from skidhand.errors import UserError

if TYPE_CHECKING:
    from analytics.handover import Handover
    from analytics.tanks import Tank

COLUMNS = ("what", "skid", "where", "until", "text")


def command(
    skid: SkidOption = None,
    sign: Annotated[bool, typer.Option("--sign", help="Sign as the leaving shift.")] = False,
    note: Annotated[str, typer.Option("--note", help="One free note, with --sign.")] = "",
    take: Annotated[bool, typer.Option("--take", help="Sign as the coming shift.")] = False,
    who: Annotated[str | None, typer.Option("--who", metavar="ID", help="Who signs.")] = None,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Tell what is open, shelved, out of service, learning and due, and sign the handover on both sides.

    \b
    Example:
        skidhand handover --sign --who reyes --note "truck expected at six"
    """
    from analytics import handover
    from skidhand.clock import WallClock
    from skidhand.stores import open_store

    if sign and take:
        raise UserError("--sign is for the leaving shift, --take for the coming one; not both at once")
    if note and not sign:
        raise UserError("--note belongs to --sign")
    settings = settings_from(settings_file, store=store, logbook=logbook)
    book, clock = look_into_logbook(settings)
    with book, closing(open_store(settings.store)) as samples:
        known_skid(book, skid)
        now = clock.now() or WallClock().now()
        fleet, skids = fleet_of(settings, book).fleet, None if skid is None else {skid}
        told = handover.handover(book, fleet, samples, now=now, skids=skids)
        name = who or user_name()
        if sign:
            handover.sign(book, told, who=name, note=note, at=now)
        if take:
            handover.take(book, who=name, at=now)
    print_rows(_rows(told), COLUMNS, format)
    if sign:
        talk(f"Signed by {name}; the coming shift signs with: skidhand handover --take")
    if take:
        talk(f"Taken by {name}.")


def _rows(told: Handover) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []

    def add(what: str, skid: str | None, where: str | None, until: Any, text: str) -> None:
        rows.append({"what": what, "skid": skid, "where": where, "until": until, "text": text})

    for prompt in told.open:
        taken = f", {prompt.taken_by} has it" if prompt.taken_by else ""
        add(f"open, {prompt.state}", prompt.skid, prompt.unit, None, f"{prompt.code} {prompt.title}{taken}")
    for prompt in told.shelved:
        add("shelved", prompt.skid, prompt.unit, prompt.shelved_until, f"{prompt.code} {prompt.title}")
    for work in told.out_of_service:
        add("out of service", work.skid, work.unit, work.until, f"{work.who}: {work.why}")
    for entry in told.learning:
        where = entry.data.get("unit_id") or entry.data.get("tag")
        add("renewed", entry.skid, str(where), None, f"{entry.data['resets']} {entry.text}".strip())
    for watched in told.watched:
        for line in watched.lines:
            add("not watched" if not line.unit else "learning", watched.skid, line.unit, line.not_before, line.words)
    for finding in told.washes:
        ends = finding.forecast
        said = f"about, between {ends.low:%Y-%m-%d %H:%M} and {ends.high:%Y-%m-%d %H:%M} UTC" if ends else ""
        add("next backwash", finding.skid, finding.unit, ends.when if ends else None, said)
    for tank in told.levels:
        add("tank", tank.place, tank.unit, None, _level(tank))
    for finding in (*told.tanks, *told.chemicals):
        when = finding.forecast.when if finding.forecast else None
        add(finding.kind.replace("-", " "), finding.skid, finding.unit, when, finding.first_step)
    for skid, tag, at in told.due:
        add("calibration due", skid, tag, at, "")
    for entry in told.notes:
        add("note", entry.skid, None, None, f"{entry.who}: {entry.text}")
    if told.last is not None:
        state = f"taken by {told.taken.who}" if told.taken else "not taken yet"
        add("last handover", None, None, told.last.at, f"{told.last.who}: {told.last.text} ({state})")
    return rows


def _level(tank: Tank) -> str:
    from skidhand.units import label

    if tank.level is None or tank.share is None:
        return "no usable reading of its level"
    end = "steady" if tank.left is None else f"{tank.end} in {tank.left.total_seconds() / 3600:.3g} h as it goes"
    return f"{tank.level:.3g} {label(tank.code)}, {100 * tank.share:.0f} % full; {end}"
