"""What the demo prints: messages as they would be received, and the closing tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import ClassVar, Final, Self

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from alerts.channels.base import Address
from analytics.scoring import FORECASTS, Match, Score
from skidhand.model.prompt import Delivery
from skidhand.model.truth import Truth, TruthEvent

NOTHING: Final = "-"


class PhoneChannel:
    """Prints each message above the progress bar, as the technician's phone would show it."""

    name = "console"
    address: ClassVar[Address] = "phone"

    def __init__(self, console: Console) -> None:
        self._console = console

    @classmethod
    def open(cls, argument: str) -> Self:
        """On standard output; ``argument`` is not used."""
        del argument
        return cls(Console())

    def send(self, delivery: Delivery) -> None:
        """To whom, when (UTC), and the text."""
        self._console.print(f"[dim]{delivery.queued:%a %d %H:%M}Z  text to {delivery.person}[/dim]", highlight=False)
        self._console.print(f"    {delivery.text}", highlight=False, markup=False, soft_wrap=True)


def progress_bar(console: Console) -> Progress:
    """A bar over simulated hours."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    return Progress(*columns, console=console, transient=True)


def events_table(score: Score, truth: Truth) -> Table:
    """Every event that the simulator made, in order: found or missed, and the delay."""
    table = Table(title="What the simulator did, and what skidhand said", title_justify="left")
    for name in ("began (UTC)", "skid", "event", "expected", "result", "cause", "said"):
        table.add_column(name, no_wrap=True)
    for row in _event_rows(score, truth):
        table.add_row(*row)
    return table


def _event_rows(score: Score, truth: Truth) -> Iterator[tuple[str, ...]]:
    matches = {match.event: match for match in score.matches}
    fell = {call.during for call in score.false_calls}
    for event in truth.events:
        name = event.event + (f" {event.tag}" if event.tag else "")
        head = (f"{event.onset:%a %d %H:%M}", event.skid, name)
        match = matches.get(event.id)
        if event.kind is None:
            yield (*head, "nothing", "CALLED" if event.id in fell else "rightly silent", NOTHING, NOTHING)
        elif match is not None:
            cause = match.cause or NOTHING
            wrong = "" if match.cause_right in (True, None) else f" (was {match.expected_cause})"
            result = "found" if match.in_time is not False else "found too late"
            if not match.found:
                result = "MISSED" if match.required else "not called"
            yield (*head, event.kind, result, cause + wrong, _said(event, match))


def _said(event: TruthEvent, match: Match) -> str:
    """How long after its beginning; of a filter's run, how long before the wash."""
    if match.detected is None:
        return NOTHING
    if event.kind in FORECASTS:
        if event.too_late is None:
            return "the run goes on"
        return f"{_hours(event.too_late - match.detected)} before"
    return f"{_hours(match.detected - event.onset)} after"


def _hours(span: timedelta) -> str:
    minutes = round(span.total_seconds() / 60)
    return f"{'-' if minutes < 0 else ''}{abs(minutes) // 60} h {abs(minutes) % 60:02d} min"


def figures_table(rows: Sequence[tuple[str, str]]) -> Table:
    """Two columns: what, and how much."""
    table = Table(title="In figures", title_justify="left", show_header=False)
    for row in rows:
        table.add_row(*row)
    return table


def wash_line(score: Score) -> str:
    """How many washes were called before they came, and how well their time was told."""
    washes = score.washes
    if not washes.forewarned:
        return f"{washes.forewarned} of {washes.washes}"
    error = NOTHING if washes.median_error_h is None else f"{washes.median_error_h:+.1f} h"
    return (
        f"{washes.forewarned} of {washes.washes} (median notice {washes.median_notice_h:.1f} h, "
        f"first forecast off by a median of {error})"
    )


def where_next(folder: Path) -> str:
    """How to look at what the demo left behind."""
    return (
        f"Where to look next (the data of this run stay in {folder}):\n"
        f"  export SKIDHAND_STORE={folder}/lake SKIDHAND_LOGBOOK={folder}/logbook.db SKIDHAND_CLOCK=stream\n"
        "  skidhand board --open          the web pages, on this host\n"
        "  skidhand findings              what was found, with causes\n"
        "  skidhand prompts               what people were sent; 'skidhand prompts ack CODE --who NAME' answers\n"
        "  skidhand export --help         cleaned or raw series for pandas\n"
        "  docs/detectors/                how each detector decides, and what it cannot tell"
    )
