"""``skidhand score``: what was found and falsely called, against a scenario's truth or the technicians' verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    known_skid,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
)
from skidhand.cli.output import print_rows
from skidhand.errors import UserError

if TYPE_CHECKING:
    from pydantic import BaseModel

    from analytics.scoring import Score
    from analytics.verdicts import VerdictScore
    from skidhand.settings import Settings


class Part(StrEnum):
    """What of the score is printed."""

    KINDS = "kinds"
    EVENTS = "events"
    FALSE = "false"
    WASHES = "washes"
    CAUSES = "causes"
    CALLS = "calls"


COLUMNS = {
    Part.KINDS: ("kind", "events", "found", "missed", "false", "cause_right", "median_delay_min"),
    Part.EVENTS: ("event", "kind", "found", "detected", "delay_min", "delay_knowable_min", "in_time",
                  "expected_cause", "cause", "cause_right", "finding"),
    Part.FALSE: ("detected", "skid", "unit", "kind", "cause_class", "during", "finding"),
    Part.WASHES: ("washes", "forewarned", "median_notice_h", "median_error_h", "unborne"),
}  # fmt: skip


_TALLY: Final = ("kind", "cause", "calls", "done", "false", "unjudged", "precision", "low", "high")
_CALL: Final = ("created", "code", "skid", "unit", "kind", "cause", "told", "verdict", "who", "said")
JUDGED = {
    Part.KINDS: tuple(name for name in _TALLY if name != "cause"),
    Part.CAUSES: _TALLY,
    Part.FALSE: _CALL,
    Part.CALLS: _CALL,
}


def command(
    truth: Annotated[
        Path | None, typer.Argument(exists=True, dir_okay=False, help="Truth file of 'skidhand simulate'.")
    ] = None,
    verdicts: Annotated[bool, typer.Option("--verdicts", help="By what was answered: done or false.")] = False,
    show: Annotated[
        Part, typer.Option("--show", help="Which part to print; causes and calls with --verdicts only.")
    ] = Part.KINDS,
    skid: Annotated[str | None, typer.Option("--skid", metavar="ID", help="With --verdicts: only this skid.")] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="TIME", help="With --verdicts: called at or after this time.")
    ] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Compare the findings in the logbook with what really happened, or with what people answered to the calls.

    Exit status 1: by a truth file, something was missed, or something false was called.

    \b
    Example:
        skidhand score truth.json --show events
        skidhand score --verdicts --since 2026-03-01 --show causes
    """
    settings = settings_from(settings_file, logbook=logbook)
    if verdicts == (truth is not None):
        raise UserError("score by a truth file or by --verdicts, one of the two")
    columns = COLUMNS if truth is not None else JUDGED
    if show not in columns:
        raise UserError(f"--show {show} is not part of this score; there are {', '.join(columns)}")
    if truth is None:
        print_rows(_by_verdicts(settings, show, skid, since), columns[show], format)
        return
    if skid is not None or since is not None:
        raise UserError("--skid and --since go with --verdicts; a truth file has its own skids and span")
    result = _by_truth(settings, truth)
    parts: dict[Part, Sequence[BaseModel]] = {
        Part.KINDS: result.kinds,
        Part.EVENTS: result.matches,
        Part.FALSE: result.false_calls,
        Part.WASHES: (result.washes,),
    }
    print_rows([row.model_dump() for row in parts[show]], columns[show], format)
    talk(_summary(result))
    if result.missed or result.false:
        raise typer.Exit(1)


def _by_truth(settings: Settings, truth: Path) -> Score:
    from analytics.scoring import score
    from simulator.truth import read_truth

    happened = read_truth(truth)
    book, _ = look_into_logbook(settings)
    with book:
        return score(book.analysis.current(), happened)


def _by_verdicts(settings: Settings, show: Part, skid: str | None, since: str | None) -> list[dict[str, Any]]:
    from analytics.verdicts import calls_of, tally

    book, clock = look_into_logbook(settings)
    with book:
        known_skid(book, skid)
        calls, now = calls_of(book, skid), clock.now()
    begin = parse_time(since) if since else min((call.created for call in calls), default=None)
    within = [call for call in calls if begin is not None and call.created >= begin]
    if not within or begin is None or now is None:
        talk("No call in that time.")
        return []
    # Calls made in the very moment that is now count as well.
    result = tally(within, begin, max(now, within[-1].created) + timedelta(microseconds=1))
    talk(_told(result))
    if show in (Part.FALSE, Part.CALLS):
        return [asdict(call) for call in within if show is Part.CALLS or call.verdict == "false"]
    return [row.model_dump() for row in (result.kinds if show is Part.KINDS else result.causes)]


def _told(result: VerdictScore) -> str:
    total = result.total
    share = (
        "nothing can be said of precision"
        if total.precision is None
        else f"precision {total.precision:.0%} (95 % interval {total.low:.0%} to {total.high:.0%})"
    )
    return (
        f"{total.calls} calls: {total.done} done, {total.false} false, {total.unjudged} judged by nobody; {share}. "
        f"{result.told} were sent, {result.calls_per_shift:.2f} in a shift of 12 hours."
    )


def _summary(result: Score) -> str:
    return (
        f"{result.scenario}: {result.found} of {result.events} events found, {result.missed} missed, "
        f"{result.false} false calls ({result.false_per_skid_month:.2f} a skid and month, "
        f"{result.lookalike_violations} of them blamed equipment for a look-alike), "
        f"cause right in {result.cause_right}; {result.washes.forewarned} of {result.washes.washes} washes forewarned."
    )
