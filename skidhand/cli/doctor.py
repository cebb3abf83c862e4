"""``skidhand doctor``: is everything reachable, how far behind, and what was refused."""

from __future__ import annotations

from typing import Annotated

import typer

from skidhand.cli.options import (
    BrokerOption,
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    SpoolOption,
    StoreOption,
    settings_from,
    talk,
)
from skidhand.cli.output import print_rows

COLUMNS = ("part", "what", "well", "note")


def command(
    config: Annotated[
        bool, typer.Option("--config", help="Print each setting with its origin, secrets masked, and end.")
    ] = False,
    settings_file: SettingsOption = None,
    broker: BrokerOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    spool: SpoolOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Look at every part: what is away, what is late, what was refused and why.

    Exit status 1: something is wrong; the rows with 'no' say what.

    \b
    Example:
        skidhand doctor
    """
    from skidhand.cli.examination import examine
    from skidhand.settings import unknown_variables

    settings = settings_from(settings_file, broker=broker, store=store, logbook=logbook, spool=spool)
    for name in unknown_variables():
        talk(f"{name} is no setting of skidhand and changes nothing; see 'skidhand doctor --config'.")
    if config:
        rows = [{"setting": s.name, "value": s.value, "origin": s.origin} for s in settings.explain()]
        print_rows(rows, ("setting", "value", "origin"), format)
        return
    found = examine(settings)
    print_rows([{"part": f.part, "what": f.what, "well": f.well, "note": f.note} for f in found], COLUMNS, format)
    if any(f.well is False for f in found):
        raise typer.Exit(1)
