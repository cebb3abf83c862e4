"""Is the calling any good? Calls per person and shift, answered in time, repeats, false calls, peak rate."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from skidhand.logbook import Logbook
from skidhand.model.prompt import Delivery, Prompt

SHIFT: Final = timedelta(hours=12)
IN_TIME: Final = timedelta(minutes=15)
"""The first step of the escalation by default: whoever answers before it is in time."""
WINDOW: Final = timedelta(minutes=10)
"""EEMUA 191 (3rd ed.) counts alarms per operator in 10 minutes: about one is manageable, ten are a flood."""


def figures(logbook: Logbook, since: datetime, until: datetime) -> list[dict[str, Any]]:
    """One row a person, and one for all (``person`` is ``all``); shares are None where there is nothing to divide."""
    told = {prompt.id: prompt for prompt in logbook.prompts.all(since=since) if prompt.told_at is not None}
    told = {key: prompt for key, prompt in told.items() if since <= prompt.created < until}
    messages = [one for one in logbook.prompts.deliveries() if since <= one.queued < until and one.person]
    shifts = max((until - since) / SHIFT, 1.0)
    people = sorted({one.person for one in messages})
    rows = [_row(person, [m for m in messages if m.person == person], told, logbook, shifts) for person in people]
    return [*rows, _row("all", messages, told, logbook, shifts)]


def _row(
    person: str, messages: Sequence[Delivery], told: dict[Any, Prompt], logbook: Logbook, shifts: float
) -> dict[str, Any]:
    sent = [one for one in messages if one.state == "sent" and one.sent is not None]
    called = {one.prompt: told[one.prompt] for one in sent if one.prompt in told}
    return {
        "person": person,
        "messages": len(sent),
        "per_shift": round(len(sent) / shifts, 2),
        "prompts": len(called),
        "in_time": _share(_in_time(logbook, prompt) for prompt in called.values()),
        "false": _share(prompt.verdict == "false" for prompt in called.values()),
        "repeats": sum(one.repeat for one in sent),
        "kept_back": sum(one.state == "summarised" for one in messages),
        "failed": sum(one.state == "failed" for one in messages),
        "peak_10_min": _peak(sent),
    }


def _in_time(logbook: Logbook, prompt: Prompt) -> bool:
    """Somebody answered within IN_TIME of the first message."""
    told = prompt.told_at or prompt.created
    rows = logbook.prompts.history(prompt.id)
    return any(row.who != "skidhand" and row.at - told <= IN_TIME for row in rows)


def _share(of: Iterable[bool]) -> float | None:
    found = list(of)
    return round(sum(found) / len(found), 3) if found else None


def _peak(sent: Sequence[Delivery]) -> int:
    """The most messages that one person had in ten minutes."""
    most = 0
    for person in {one.person for one in sent}:
        times = sorted(one.sent for one in sent if one.person == person and one.sent is not None)
        counts = Counter({i: sum(begin <= t < begin + WINDOW for t in times[i:]) for i, begin in enumerate(times)})
        most = max([most, *counts.values()])
    return most
