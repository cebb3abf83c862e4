"""A skid's line in plain words, in the viewer's language and the site's time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from markupsafe import Markup

from board import learning, when
from board.attention import Matter
from board.facts import Oil, Trend, Wash
from board.house import House
from board.render import unit
from board.summary import Line, Shared, Summary
from board.svg import spark
from board.viewer import Viewer
from board.words import Words
from skidhand.clock import WallClock
from skidhand.fleet import Fleet
from skidhand.model.finding import Finding, Number
from skidhand.model.prompt import Prompt

COMPARED = ("limit", "terminal", "expected", "usual")
CALLS = ("help", "silent", "stopped")
SILENT = {"ingest": timedelta(minutes=2), "analyze": timedelta(minutes=10), "alerts": timedelta(minutes=2)}
"""Age of a service's last sign of life from which the page says that it is gone."""


@dataclass(frozen=True, slots=True)
class Row:
    """What the template prints of one skid: all of it text that is still to be escaped, but the trend."""

    skid: str
    name: str
    site: str
    state: str
    word: str
    severity: str  # word, or empty
    level: str  # high, medium, low or empty: for the mark
    why: str
    since: str
    event: str  # id of the finding that is told
    aside: str
    wash: str
    wash_more: str
    wash_due: bool
    oil: str
    oil_more: str
    oil_over: bool
    data: str
    data_late: bool
    trend: Markup
    trend_tag: str


def row(line: Line, fleet: Fleet, viewer: Viewer, now: datetime, t: Words) -> Row:
    """The line of one skid for this viewer; customers get no causes, names or messages."""
    zone = when.zone_of(fleet, line.site)
    site = next((one.name for one in fleet.sites if one.id == line.site), "")
    worst = line.matters[0] if line.matters else None
    plain = viewer.customer
    level = worst.finding.severity if worst and line.state in ("help", "silent", "stopped", "hand", "watch") else ""
    state = _customer_state(line) if plain else line.state
    why, since = ("", "") if plain else _why(line, worst, zone, now, t)
    wash, wash_more, due = ("", "", False) if plain else _wash(line, line.wash, zone, now, t)
    oil, oil_more = _oil(line.oil, t)
    age = None if line.newest is None else now - line.newest
    return Row(
        skid=line.skid.id,
        name=line.skid.name,
        site=site or t("skid.nowhere"),
        state=state,
        word=t(f"state.{state}"),
        severity=t(f"severity.{level}") if level and not plain else "",
        level="" if plain else level,
        why=why,
        since=since,
        event=str(worst.finding.id) if worst and not plain else "",
        aside="" if plain else ". ".join(_aside(line, worst, zone, now, t)),
        wash=wash,
        wash_more=wash_more,
        wash_due=due,
        oil=oil,
        oil_more=oil_more,
        oil_over=line.oil is not None and line.oil.over,
        data=t("fact.never") if age is None else t("fact.old", span=when.span(age, t)),
        data_late=line.state in ("late", "silent", "unseen"),
        trend=Markup("") if plain and (line.trend is None or line.oil is None or line.trend.tag != line.oil.tag)
        else _trend(line, line.trend, t),
        trend_tag=line.trend.tag if line.trend else "",
    )  # fmt: skip


def _customer_state(line: Line) -> str:
    """Customers hear whether it can be seen and runs, not what is the matter with it."""
    return line.state if line.state in ("silent", "stopped", "late", "unseen") else "well"


def _why(line: Line, worst: Matter | None, zone: ZoneInfo, now: datetime, t: Words) -> tuple[str, str]:
    if line.state == "out" and line.work is not None:
        return t("line.out", until=when.stamp(line.work.until, now, zone, t)), ""
    if line.state == "unseen":
        return t("line.unseen"), ""
    if line.state == "late" and line.newest is not None:
        return t("line.late", ago=when.span(now - line.newest, t)), ""
    if worst is None:
        seen = line.watched.not_watched if line.watched is not None else None
        if seen is not None:
            said = learning.not_now(seen, t)
            return said[:1].upper() + said[1:], t("learn.since", when=when.stamp(seen.since, now, zone, t))
        return t("line.well"), ""
    return told(worst.finding, t), since_of(worst.finding, zone, now, t)


def told(finding: Finding, t: Words) -> str:
    """What is the matter, the cause if it is known, and the first figure while it stands."""
    value = _value(finding, t) if finding.state == "open" else ""
    text = ", ".join(part for part in (t.what(finding.kind, finding.unit), _cause(finding, t), value) if part)
    return text[:1].upper() + text[1:]


def titles(house: House, prompts: Iterable[Prompt], t: Words) -> dict[UUID, str]:
    """What each prompt is about, in the viewer's words; of one that is about no finding, what alerts calls it."""
    several = list(prompts)
    known = house.logbook.look.named(one.root for one in several)
    return {one.id: told(known[one.root], t) if one.root in known else t.said(one.title) for one in several}


def since_of(finding: Finding, zone: ZoneInfo, now: datetime, t: Words) -> str:
    """Since when, and how long that is; of what is forecast: when, and how long is left."""
    if finding.forecast is not None and finding.state == "open":
        at = finding.forecast.when
        left = t("fact.in", span=when.span(at - now, t)) if at > now else t("fact.due", span=when.span(now - at, t))
        return t("line.forecast", when=when.stamp(at, now, zone, t), left=left)
    return t("line.since", when=when.stamp(finding.onset, now, zone, t), ago=when.span(now - finding.onset, t))


def _cause(finding: Finding, t: Words) -> str:
    if finding.cause is None or finding.kind == "dp-rise":
        return ""
    if finding.cause == "unknown":
        return t("line.untold")
    cause = t.cause(finding.cause)
    return t("line.cause", cause=cause) if cause else ""


def _value(finding: Finding, t: Words) -> str:
    """The first number of the evidence, beside what it is compared with."""
    numbers = finding.evidence.numbers
    if not numbers or finding.kind in ("no-data", "unplanned-stop", "sensor-frozen"):
        return ""
    first = percent(numbers[0])
    other = next((percent(n) for n in numbers[1:] if n.unit == numbers[0].unit and n.name.endswith(COMPARED)), None)
    value = shown(first)
    if other is None:
        return f"{t.number(first.name)} {value}"
    against = t("line.against-usual" if other.name.endswith(("usual", "expected")) else "line.against-limit")
    return f"{t.number(first.name)} {value} ({against} {when.figure(other.value)})"


def shown(number: Number) -> str:
    """A figure of evidence with its unit."""
    spoken = percent(number)
    return f"{when.figure(spoken.value)} {unit(spoken.unit)}".strip()


def percent(number: Number) -> Number:
    """A share of the flow in percent, as people think of it."""
    if number.unit == "1" and number.name.startswith("reject_ratio"):
        return number.model_copy(update={"value": number.value * 100, "unit": "%"})
    return number


def _aside(line: Line, worst: Matter | None, zone: ZoneInfo, now: datetime, t: Words) -> Iterator[str]:
    if len(line.matters) > 1:
        yield t("line.more", n=len(line.matters) - 1)
    prompt = worst.prompt if worst else None
    if prompt is not None:
        if prompt.state == "shelved" and prompt.shelved_until is not None:
            yield t("line.shelved", when=when.stamp(prompt.shelved_until, now, zone, t))
        elif prompt.taken_by is not None:
            yield t("line.taken", who=prompt.taken_by)
        elif prompt.state == "acknowledged":
            yield t("line.acknowledged")
    if line.over:
        yield t("line.over", n=line.over)
    learnt = learning.brief(line.watched, t)
    if learnt:
        yield learnt[:1].upper() + learnt[1:]


def _wash(line: Line, wash: Wash | None, zone: ZoneInfo, now: datetime, t: Words) -> tuple[str, str, bool]:
    if not line.has_filter:
        return t("fact.no-filter"), "", False
    if wash is None:
        return t("fact.none-called"), t("fact.by-controller") if line.skid.backwash_by == "controller" else "", False
    low, high = (when.stamp(end, now, zone, t) for end in (wash.low, wash.high))
    between = t("fact.between", low=low, high=high)
    if wash.when <= now:
        return t("fact.due", span=when.span(now - wash.when, t)), between, line.skid.backwash_by == "person"
    return t("fact.in", span=when.span(wash.when - now, t)), between, False


def _oil(oil: Oil | None, t: Words) -> tuple[str, str]:
    if oil is None:
        return t("fact.oil-none"), ""
    if oil.value is None:
        return t("fact.oil-bad"), ""
    value, shown = when.figure(oil.value), unit(oil.unit)
    if oil.limit is None:
        return t("fact.oil-plain", value=value, unit=shown), ""
    text = t("fact.oil-of", value=value, limit=when.figure(oil.limit), unit=shown)
    basis = t("fact.basis-grab") if oil.basis == "grab" else t("fact.basis", basis=oil.basis)
    return text, f"{t('fact.oil-over')}, {basis}" if oil.over else basis


def _trend(line: Line, trend: Trend | None, t: Words) -> Markup:
    known = [value for value in trend.values if value is not None] if trend else []
    if trend is None or not known:
        return Markup("")
    low, high = when.figure(min(known)), when.figure(max(known))
    note = line.skid.instruments[trend.tag].note
    what = f"{trend.tag} {note}".strip()
    said = t("fact.trend", what=what, low=low, high=high, unit=unit(trend.unit))
    oil = line.oil
    limit = oil.limit if oil is not None and oil.tag == trend.tag and oil.unit == trend.unit else None
    return spark(trend.values, said, limit=limit)


def headline(lines: list[Line], shared: list[Shared], viewer: Viewer, t: Words) -> tuple[str, str]:
    """The page in a sentence, the tanks that skids share with it, and the rest of the count."""
    states = [line.state for line in lines]
    if viewer.customer:
        return "", ""
    need = sum(state in ("help", "stopped") for state in states)
    blind = sum(state in ("silent", "late", "unseen") for state in states)
    first = t("fleet.help.0") if not need else t(f"fleet.help.{'1' if need == 1 else 'n'}", n=need, all=len(states))
    calls = sum(bool(one.matters) and one.matters[0].state in CALLS for one in shared)
    if calls:
        said = t(f"fleet.tank.{'1' if calls == 1 else 'n'}", n=calls)
        first = f"{first} {said}" if need else said
    if blind:
        first += " " + t(f"fleet.blind.{'1' if blind == 1 else 'n'}", n=blind)
    hand, watch, well = (states.count(state) for state in ("hand", "watch", "well"))
    rest = t("fleet.rest", hand=hand, watch=watch, well=well)
    aside = len(states) - hand - watch - well - need - blind
    return first, f"{rest} {t('fleet.aside', n=aside)}" if aside else rest


def troubles(summary: Summary, clock_kind: str, t: Words) -> list[str]:
    """What of the house itself does not work, so that a quiet page is not taken for a quiet fleet."""
    if clock_kind == "stream":  # a recording's services end with it
        return []
    now, found = WallClock().now(), []
    for service, key in (("ingest", "ingest"), ("analyze", "analysis"), ("alerts", "alerts")):
        last = max((beat.at for beat in summary.beats if beat.service == service), default=None)
        if last is not None and now - last > SILENT[service]:
            found.append(t(f"fleet.{key}-gone", age=when.span(now - last, t)))
        elif last is None and service == "ingest":
            found.append(t("fleet.ingest-never"))
    return found
