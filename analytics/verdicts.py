"""Calls against what the technicians said of them, where no truth file tells what really happened.

A call is one prompt with findings, judged by the last accepted answer to it: ``done`` (there was something, and
work was done) or ``false``. One call is one trial, under the kind and cause of the finding that it is rooted in:
the findings it gathered share one verdict, and to count each would make the interval too narrow. What nobody
judged is counted apart and is neither right nor wrong. Nobody answers what was never called, so there is no recall
here, and no delay.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal
from uuid import UUID

from scipy.stats import binomtest

from analytics.scoring import Result
from skidhand.logbook import Logbook
from skidhand.model.finding import Finding
from skidhand.model.prompt import Answer, Prompt

Verdict = Literal["done", "false"]

SHIFT: Final = timedelta(hours=12)  # two shifts a day: common practice, no source
CONFIDENCE: Final = 0.95


@dataclass(frozen=True, slots=True)
class Call:
    """One prompt: what it is rooted in, what was said of it, and whether a message of it has left."""

    code: str
    created: datetime
    skid: str
    unit: str
    kind: str
    cause: str | None
    verdict: Verdict | None
    who: str | None
    said: str
    told: bool


class Tally(Result):
    """Calls of one kind (and cause): ``precision`` = done/(done + false) with its 95 % interval; None: none judged."""

    kind: str
    cause: str | None
    calls: int
    done: int
    false: int
    unjudged: int
    precision: float | None
    low: float | None
    high: float | None


class VerdictScore(Result):
    """All of it. ``calls_per_shift``: those of which a message left, all skids together, by shifts of 12 hours."""

    since: datetime
    until: datetime
    total: Tally
    told: int
    calls_per_shift: float
    kinds: tuple[Tally, ...]
    causes: tuple[Tally, ...]


def wilson(right: int, of: int) -> tuple[float, float]:
    """95 % score interval of a share (E. B. Wilson, JASA 22, 1927, 209), which holds for few trials as well.

    ValueError unless 0 ≤ ``right`` ≤ ``of`` and ``of`` ≥ 1.
    """
    interval = binomtest(right, of).proportion_ci(CONFIDENCE, method="wilson")
    return float(interval.low), float(interval.high)


def tally(calls: Sequence[Call], since: datetime, until: datetime) -> VerdictScore:
    """Calls created from ``since`` up to ``until``; ValueError when the span is not above zero."""
    if until <= since:
        raise ValueError(f"a span from {since} to {until} holds nothing")
    within = [call for call in calls if since <= call.created < until]
    told = sum(call.told for call in within)
    return VerdictScore(
        since=since,
        until=until,
        total=_tally("all", None, within),
        told=told,
        calls_per_shift=told / ((until - since) / SHIFT),
        kinds=_grouped(within, lambda call: (call.kind, None)),
        causes=_grouped(within, lambda call: (call.kind, call.cause)),
    )


def calls_of(book: Logbook, skid: str | None = None) -> list[Call]:
    """Every prompt with findings, oldest first, with its verdict. Those without speak of skidhand itself."""
    findings = {finding.id: finding for finding in book.analysis.current(skid=skid, superseded=True)}
    sent = {one.prompt for one in book.prompts.deliveries() if one.state == "sent"}
    prompts = sorted(book.prompts.all(), key=lambda prompt: prompt.created)
    asked = [prompt for prompt in prompts if prompt.findings and skid in (None, prompt.skid)]
    return [_call(prompt, findings, _verdict(prompt, book), prompt.id in sent) for prompt in asked]


def _verdict(prompt: Prompt, book: Logbook) -> Answer | None:
    """The last accepted verdict on it. Not ``prompt.verdict``: a prompt that comes back begins without one."""
    said = book.answers.about(prompt)
    mine = [answer for answer in said if answer.state == "accepted" and answer.verb in ("done", "false")]
    return mine[-1] if mine else None


def _call(prompt: Prompt, findings: dict[UUID, Finding], answer: Answer | None, told: bool) -> Call:
    mine = [findings[each] for each in prompt.findings if each in findings]
    head = findings.get(prompt.root) or next((f for f in mine if f.kind == prompt.head), None)
    verdict: Verdict | None = None if answer is None else "done" if answer.verb == "done" else "false"
    return Call(
        code=prompt.code,
        created=prompt.created,
        skid=prompt.skid,
        unit=head.unit if head else prompt.unit,
        kind=head.kind if head else prompt.head,
        cause=head.cause if head else None,
        verdict=verdict,
        who=answer.who if answer else None,
        said=answer.text if answer else "",
        told=told,
    )


def _grouped(calls: Iterable[Call], key: Callable[[Call], tuple[str, str | None]]) -> tuple[Tally, ...]:
    groups: dict[tuple[str, str | None], list[Call]] = {}
    for call in calls:
        groups.setdefault(key(call), []).append(call)
    ordered = sorted(groups.items(), key=lambda item: (item[0][0], item[0][1] or ""))
    return tuple(_tally(kind, cause, group) for (kind, cause), group in ordered)


def _tally(kind: str, cause: str | None, calls: Sequence[Call]) -> Tally:
    done = sum(call.verdict == "done" for call in calls)
    false = sum(call.verdict == "false" for call in calls)
    judged = done + false
    low, high = wilson(done, judged) if judged else (None, None)
    return Tally(
        kind=kind,
        cause=cause,
        calls=len(calls),
        done=done,
        false=false,
        unjudged=len(calls) - judged,
        precision=done / judged if judged else None,
        low=low,
        high=high,
    )
