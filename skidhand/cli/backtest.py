"""``skidhand backtest``: what a changed limit would have called."""

from __future__ import annotations

from contextlib import closing
from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    StoreOption,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
)
from skidhand.cli.output import print_rows
from skidhand.errors import UserError


class Part(StrEnum):
    """What of the answer is printed."""

    COUNTS = "counts"
    FINDINGS = "findings"


COUNTS = ("side", "findings", "phone", "phone_by_day", "desk", "night")
TRUTH = ("events", "found", "missed", "false")
FINDINGS = ("outcome", "detected", "skid", "unit", "kind", "onset", "ended", "earlier_h")


def command(
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="Compare from this time on.")],
    change: Annotated[
        list[str],
        typer.Option("--set", metavar="UNIT.LIMIT=NUMBER", help="A limit to try; UNIT: id or type. May be repeated."),
    ],
    until: Annotated[
        str | None, typer.Option("--until", metavar="TIME", help="Up to this time; the present one unless given.")
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Option("--truth", exists=True, dir_okay=False, help="Truth file of 'skidhand simulate': score both."),
    ] = None,
    show: Annotated[Part, typer.Option("--show", help="Counts of both sides, or finding by finding.")] = Part.COUNTS,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Analyse history anew with a changed limit, and compare with what was found. Nothing in force is changed.

    \b
    Example:
        skidhand backtest --since 2026-03-01 --set filter.dp_terminal=10
    """
    from skidhand.backtest import backtest, parse_change
    from skidhand.stores import open_store

    changes = [parse_change(text) for text in change]
    settings = settings_from(settings_file, store=store, logbook=logbook)
    book, clock = look_into_logbook(settings)
    with book, closing(open_store(settings.store)) as samples:
        end = parse_time(until) if until else clock.now()
        begin = parse_time(since)
        if end is None or end <= begin:
            raise UserError(f"--since {since} is not before the end of the span, {end or 'which is not known yet'}")
        result = backtest(samples, book, changes, begin, end)
    if show is Part.FINDINGS:
        print_rows([asdict(row) for row in result.differences], FINDINGS, format)
    else:
        sides: list[dict[str, Any]] = [
            {"side": "as it was", **asdict(result.was)},
            {"side": "with the change", **asdict(result.would)},
        ]
        if truth is not None:
            from analytics.scoring import score
            from simulator.truth import read_truth

            happened = read_truth(truth)
            for side, findings in zip(sides, (result.findings_was, result.findings_would), strict=True):
                side |= score(findings, happened).model_dump(include=set(TRUTH))
        print_rows(sides, COUNTS + (TRUTH if truth else ()), format)
    outcomes = [row.outcome for row in result.differences]
    talk(
        f"With the change: {outcomes.count('new')} new findings, {outcomes.count('gone')} gone, "
        f"{outcomes.count('same')} as before; {result.would.night - result.was.night:+d} calls at night."
    )
