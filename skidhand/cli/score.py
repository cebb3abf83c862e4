"""``skidhand score``: what was found, missed and falsely called, against the truth of a scenario."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    look_into_logbook,
    settings_from,
    talk,
)
from skidhand.cli.output import print_rows

if TYPE_CHECKING:
    from analytics.scoring import Score


class Part(StrEnum):
    """What of the score is printed."""

    KINDS = "kinds"
    EVENTS = "events"
    FALSE = "false"
    WASHES = "washes"


COLUMNS = {
    Part.KINDS: ("kind", "events", "found", "missed", "false", "cause_right", "median_delay_min"),
    Part.EVENTS: ("event", "kind", "found", "detected", "delay_min", "delay_knowable_min", "in_time",
                  "expected_cause", "cause", "cause_right", "finding"),
    Part.FALSE: ("detected", "skid", "unit", "kind", "cause_class", "during", "finding"),
    Part.WASHES: ("washes", "forewarned", "median_notice_h", "median_error_h", "unborne"),
}  # fmt: skip


def command(
    truth: Annotated[Path, typer.Argument(exists=True, dir_okay=False, help="Truth file of 'skidhand simulate'.")],
    show: Annotated[Part, typer.Option("--show", help="Which part to print.")] = Part.KINDS,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Compare the findings in the logbook with what really happened.

    Exit status 1: something was missed, or something false was called.

    \b
    Example:
        skidhand score truth.json --show events
    """
    from analytics.scoring import score
    from simulator.truth import read_truth

    happened = read_truth(truth)
    book, _ = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        result = score(book.analysis.current(), happened)
    parts = {
        Part.KINDS: result.kinds,
        Part.EVENTS: result.matches,
        Part.FALSE: result.false_calls,
        Part.WASHES: (result.washes,),
    }
    print_rows([row.model_dump() for row in parts[show]], COLUMNS[show], format)
    talk(_summary(result))
    if result.missed or result.false:
        raise typer.Exit(1)


def _summary(result: Score) -> str:
    return (
        f"{result.scenario}: {result.found} of {result.events} events found, {result.missed} missed, "
        f"{result.false} false calls ({result.false_per_skid_month:.2f} a skid and month, "
        f"{result.lookalike_violations} of them blamed equipment for a look-alike), "
        f"cause right in {result.cause_right}; {result.washes.forewarned} of {result.washes.washes} washes forewarned."
    )
