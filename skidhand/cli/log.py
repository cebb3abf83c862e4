"""``skidhand log``: what people did or measured."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Annotated, Any, Final

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

app = typer.Typer(
    help="Write into the logbook what was done or measured, read it, or take it from a CSV.\n\n\b\nExample:\n"
    '    skidhand log work --skid tf-skid-1 --unit-id filter-a --resets media --text "new media"',
    no_args_is_help=True,
    rich_markup_mode=None,
)

Field = tuple[str, type, str]

KINDS: Final[dict[str, tuple[str, str, tuple[Field, ...]]]] = {
    "lab": ("Write a laboratory result.", '--analyte oil --value 12.5 --unit mg/L --method "EPA 1664"', (
        ("analyte", str, "oil, suspended-solids, turbidity, ph, iron ..."), ("value", float, "Result."),
        ("unit", str, "UCUM code of the result, such as mg/L."),
        ("less_than", bool, "Below the detection limit, which is the value."), ("method", str, "Method."),
        ("sample_point", str, "Where the sample was taken."),
        ("sampled", str, "When it was taken, if not at --at."),
    )),
    "jar-test": ("Write a jar test: the dose that did best.", '--chemical "coagulant C" --dose 25 --oil 8', (
        ("chemical", str, "Chemical."), ("dose", float, "Dose."), ("unit", str, "mg/L (default), [ppm] or mL/L."),
        ("oil", float, "Oil left, mg/L."), ("turbidity", float, "Turbidity left, NTU."), ("ph", float, "pH."),
    )),
    "calibration": ("Write a calibration: as found, as left, due.", "--tag AT-301 --as-found 23.1 --as-left 20.1", (
        ("tag", str, "Instrument."), ("reference", float, "True value."), ("as_found", float, "What it read."),
        ("as_left", float, "What it read afterwards."), ("unit", str, "UCUM code, if not the instrument's own."),
        ("due", str, "Date when it is due again; else by the fleet file."),
    )),
    "work": ("Write what work was done, and what wear it sets back to new.", "--unit-id filter-a --resets media", (
        ("unit_id", str, "Treatment unit."), ("tag", str, "Instrument."),
        ("resets", str, "What is new: media, liner, stator, membrane, basket, cloth, instrument."),
        ("hours", float, "Hours it took."),
    )),
    "delivery": ("Write a delivery of chemical.", '--chemical "coagulant C" --amount 1000 --unit L --unit-id dosing', (
        ("chemical", str, "Chemical."), ("amount", float, "Amount."), ("unit", str, "L (default), m3, kg ..."),
        ("unit_id", str, "Tank that it went into."), ("batch", str, "Batch."),
    )),
    "truck": ("Write a truck's ticket.", "--ticket 40012 --amount 130 --way out --carries treated-water", (
        ("ticket", str, "Number of the ticket."), ("amount", float, "Volume."),
        ("unit", str, "[bbl_us] (default), m3 or [gal_us]."), ("way", str, "out (default) or in."),
        ("carries", str, "treated-water (default), produced-water, fresh-water, oil or waste."),
    )),
    "waste": ("Write waste that left, or a NORM survey.", "--what survey --dose-rate 0.12 --background 0.08", (
        ("what", str, "sludge, spent-media, filters, oily-solids, other or survey."), ("amount", float, "Amount."),
        ("unit", str, "kg, t, [lb_av], m3, [bbl_us] or L."), ("manifest", str, "Number of the manifest."),
        ("dose_rate", float, "µSv/h at the surface."), ("background", float, "µSv/h away from it."),
    )),
    "note": ("Write a shift note.", '--text "truck expected at six"', ()),
}  # fmt: skip
"""Kind → what it is, an example, its fields. The models stand in ``skidhand.model.entry_kinds``; a test holds
these to them (they are not read from there, for ``--help`` must not load pydantic)."""

SHARED: Final[tuple[tuple[str, Any, Any], ...]] = (
    ("skid", SkidOption, None),
    ("at", Annotated[str | None, typer.Option("--at", metavar="TIME", help="When it was; else now.")], None),
    ("who", Annotated[str | None, typer.Option("--who", metavar="ID", help="Who; else who is signed in here.")], None),
    ("text", Annotated[str, typer.Option("--text", help="In words.")], ""),
    ("settings_file", SettingsOption, None),
    ("logbook", LogbookOption, None),
)


def _command(kind: str, does: str, example: str, fields: tuple[Field, ...]) -> Callable[..., None]:
    """A command with one option a field; typer reads them from the signature."""

    def command(**given: Any) -> None:
        shared = {name: given.pop(name) for name, *_ in SHARED}
        _write(kind, {name: value for name, value in given.items() if value is not None}, **shared)

    own = [
        (name, Annotated[sort | None, typer.Option("--" + name.replace("_", "-"), help=means)], None)
        for name, sort, means in fields
    ]
    kinds = inspect.Parameter.KEYWORD_ONLY
    parameters = [inspect.Parameter(n, kinds, annotation=a, default=d) for n, a, d in (*own, *SHARED)]
    command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    command.__annotations__ = {name: annotation for name, annotation, _ in (*own, *SHARED)}
    command.__doc__ = f"{does}\n\n\b\nExample:\n    skidhand log {kind} --skid tf-skid-1 {example}\n"
    return command


def _write(
    kind: str, data: dict[str, Any], *, skid: str | None, at: str | None, who: str | None, text: str,
    settings_file: Path | None, logbook: str | None,
) -> None:  # fmt: skip
    from skidhand.fleet.entries import placed
    from skidhand.logbook.entry_files import when_of
    from skidhand.model.entry_kinds import make_entry

    settings = settings_from(settings_file, logbook=logbook)
    book, clock = look_into_logbook(settings)
    with book:
        fleet = fleet_of(settings, book).fleet
        now = clock.now()
        if at is None and now is None:
            raise UserError("the stream has announced no time yet; say when it was with --at")
        moment = now if at is None else when_of(at, fleet, skid)
        if skid is None and kind != "note":
            raise UserError(f"--skid says whose {kind} this is; there are {', '.join(s.id for s in fleet.skids)}")
        entry = placed(fleet, make_entry(kind, moment, who or user_name(), skid=skid, text=text, data=data))
        book.entries.add(entry)
    talk(f"Written: {kind} {entry.at:%Y-%m-%d %H:%M %Z}.")


for _kind, (_does, _example, _fields) in KINDS.items():
    app.command(_kind)(_command(_kind, _does, _example, _fields))


@app.command("import")
def import_file(
    file: Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="CSV with a header: at, kind, skid ...")],
    who: Annotated[str | None, typer.Option("--who", metavar="ID", help="Whoever a line names nobody for.")] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Take entries from a CSV. Exit status 1: some lines were refused, each told with its reason.

    What stands in the logbook already is not written twice.

    \b
    Example:
        skidhand log import laboratory.csv --who reyes
    """
    from skidhand.logbook.entry_files import import_entries

    settings = settings_from(settings_file, logbook=logbook)
    book, _ = look_into_logbook(settings)
    try:
        with book, file.open(encoding="utf-8", newline="") as lines:
            done = import_entries(
                book.entries, fleet_of(settings, book).fleet, lines, who=who or user_name(), skids=None
            )
    except UnicodeDecodeError as error:
        raise UserError(f"{file}: not UTF-8 text ({error.reason} at byte {error.start})") from error
    for line, reason in done.refused:
        talk(f"{file}:{line}: {reason}")
    talk(f"{done.new} new, {done.known} known already, {len(done.refused)} refused.")
    if done.refused:
        raise typer.Exit(1)


@app.command("list")
def list_entries(
    skid: SkidOption = None,
    search: Annotated[str, typer.Option("--search", metavar="WORDS", help="Only entries that hold all of these.")] = "",
    kind: Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Only this kind.")] = None,
    most: Annotated[int, typer.Option("--most", min=1, help="The newest so many.")] = 200,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """List entries, oldest first.

    \b
    Example:
        skidhand log list --search "media filter-a"
    """
    book, _ = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        known_skid(book, skid)
        found = book.entries.search(search, kind=kind, skids=None if skid is None else [skid], limit=most)
    rows = [
        {"at": e.at, "kind": e.kind, "skid": e.skid, "who": e.who, "text": e.text,
         "data": ", ".join(f"{name} {value}" for name, value in e.data.items() if value is not False)}
        for e in reversed(found)
    ]  # fmt: skip
    print_rows(rows, ("at", "kind", "skid", "who", "text", "data"), format)


COMPARED: Final = (
    "tag", "unit", "pairs", "bias", "bias_low", "bias_high", "slope", "slope_low", "slope_high", "out_of_control",
    "correction",
)  # fmt: skip


@app.command("compare")
def compare_laboratory(
    skid: Annotated[str, typer.Option("--skid", metavar="ID", help="Whose analysers.")],
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Hold laboratory results against the online analysers at their sample points.

    One line an analyser with 3 pairs or more since its last calibration. Results that stand alone are told, with why.

    \b
    Example:
        skidhand log compare --skid tf-skid-1
    """
    from analytics.lab import compare, pair, reader, since_calibration
    from skidhand.fleet import skid_view
    from skidhand.stores import open_store

    settings = settings_from(settings_file, store=store, logbook=logbook)
    book, _ = look_into_logbook(settings)
    with book:
        found = fleet_of(settings, book).fleet.skid(skid)
        known_skid(book, skid)
        entries = book.entries.all(skid=skid)
    if found is None:
        raise UserError(f"no skid {skid!r} in this fleet")
    with closing(open_store(settings.store)) as samples:
        pairs, alone = pair(entries, skid_view(found), reader(samples, skid))
    for each in alone:
        talk(f"{next(e.at for e in entries if e.id == each.entry):%Y-%m-%d %H:%M %Z}: {each.why}")
    rows: list[dict[str, Any]] = []
    kept = since_calibration(pairs, entries)
    for tag in sorted({each.tag for each in kept}):
        mine = [each for each in kept if each.tag == tag]
        if len(mine) < 3:
            talk(f"{tag}: {len(mine)} pairs are too few to compare")
            continue
        told = compare(mine)
        row: dict[str, Any] = {"tag": tag, "unit": told.unit, "pairs": len(mine), "bias": told.bias.value}
        row |= {"bias_low": told.bias.low, "bias_high": told.bias.high}
        if told.line is not None:
            slope = told.line.slope
            row |= {"slope": slope.value, "slope_low": slope.low, "slope_high": slope.high}
        row["out_of_control"] = None if told.chart is None else bool(told.chart.out[-1])
        row["correction"] = told.correction.version if told.correction else None
        rows.append(row)
    print_rows(rows, COMPARED, format)
