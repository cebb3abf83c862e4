"""A prompt as one text message: skid, priority, what, value, when, first step, caution, answer code.

What is too long loses evidence, from the least needed on. First step and cautions are never dropped; if
even the bare message is longer than one text, it goes in two. Times are the site's, units those that the
finding gives, letters those of the GSM 7-bit alphabet. The last words say how to answer: each digit with its word
where there is room beside the time, otherwise the code alone, which acknowledges.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from alerts import gsm, routing
from alerts.inbound.spoken import DIGITS
from alerts.words import KindWords, Words, languages, words_in
from skidhand.fleet import Fleet
from skidhand.model.finding import Finding, Forecast, Number
from skidhand.model.kinds import PromptKind
from skidhand.model.prompt import Prompt
from skidhand.units import label

HANDS_ON: Final[frozenset[PromptKind]] = frozenset({"maintenance", "inspect", "call-out"})
"""Prompt kinds whose work may open something; a wash, an order and lost data don't."""

FORBIDDEN: Final = re.compile("|".join(words_in(language).forbidden for language in languages()), re.IGNORECASE)
"""What no message may say: that something is safe, or an order to open, enter or start it."""

FEW: Final = 3
"""How many digits are explained where there is no room for all: seen, mine, done."""

COMPARED: Final = ("limit", "terminal", "usual", "expected")
"""How the name ends of a number that the first one is compared with."""

PERCENT: Final = "reject_ratio"
DAYS_BY_NAME: Final = 6
HALF_DAY: Final = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What stands between the matter and the first step; each field may be empty."""

    when: str = ""  # follows the matter: a forecast
    value: str = ""
    since: str = ""
    cause: str = ""
    sure: str = ""
    more: str = ""

    def sentence(self, what: str) -> str:
        told = [what + self.when, self.value, self.cause, self.sure, self.more]
        told[1 if self.value else 0] += self.since
        text = ", ".join(part for part in told if part).replace("?,", "?")
        return text if text.endswith("?") else text + "."


def text_of(
    prompt: Prompt,
    findings: Sequence[Finding],
    fleet: Fleet,
    *,
    now: datetime,
    language: str = "en",
    repeat: bool = False,
    prefix: str = "",
) -> str:
    """The message of ``prompt``; ``findings`` are its standing ones, the one to speak of first.

    ``now`` decides whether a time needs its day. ``repeat`` marks a copy that may be a second one; ``prefix``
    stands before all else (it is late, nobody has answered).
    """
    words = words_in(language)
    head = findings[0]
    skids = {finding.skid for finding in findings}
    if head.skid == head.site and len(skids) == 1:  # a tank that the site's skids share speaks in the site's name
        place = head.site
    elif len(skids) == 1:
        place = f"{_skid_name(fleet, head)} {head.site}"
    else:
        place = words.pad.format(site=head.site, n=len(skids))
    begin = f"{place} {words.priorities[prompt.priority]}: "
    if repeat:
        begin = words.repeat + begin
    begin = prefix + begin
    what = _what(words, head)
    here = [finding for finding in findings if finding.skid == head.skid]  # the place counts other skids
    told = list(_shorter(words, here, routing.zone_of(fleet, head.site), now))
    brief = words.answer.format(code=prompt.code)
    text = ""
    # How to answer gives way only where even the time would have to go for it.
    for answer, evidences in ((f"{brief} {digits(words, FEW)}", told[:-1]), (brief, told)):
        for evidence in evidences:
            for care in _care(words, prompt.kind, findings, fleet):
                text = gsm.fitted(f"{begin}{evidence.sentence(what)} {care} {answer}")
                if gsm.septets(text) <= gsm.ONE_TEXT:
                    return text
    return text


def digits(words: Words, most: int = 7) -> str:
    """What the first ``most`` digits mean: ``1seen 2mine 3done``."""
    return " ".join(f"{digit}{words.verbs[verb][0]}" for digit, verb in [*DIGITS.items()][:most])


def title_of(findings: Sequence[Finding], fleet: Fleet, *, now: datetime, language: str = "en") -> str:
    """One line for lists: the matter with its evidence."""
    words = words_in(language)
    evidence = next(iter(_shorter(words, findings, routing.zone_of(fleet, findings[0].site), now)))
    return replace(evidence, sure="").sentence(_what(words, findings[0])).removesuffix(".")


def cautions(words: Words, kind: PromptKind, hazards: Iterable[str], *, short: bool = False) -> str:
    """The cautions of ``hazards`` as a sentence; one that has no words here is said by its code."""
    given = set(hazards) - {routing.GAS}
    spoken = {**words.cautions, **(words.hands_on if kind in HANDS_ON else {})}
    known = [spoken[code][short] for code in words.cautions if code in given]
    said = ", ".join([*known, *sorted(given - set(words.cautions))])
    return said[:1].upper() + said[1:] + "." if said else ""


def _care(words: Words, kind: PromptKind, findings: Sequence[Finding], fleet: Fleet) -> Iterator[str]:
    """First step and cautions, the longer form first."""
    if routing.gas_blocks(findings):
        yield words.gas
        return
    hazards = frozenset().union(*(routing.hazards_of(finding, fleet) for finding in findings))
    step = words.suggest.format(step=_step(words, findings[0]))
    for short in (False, True):
        yield f"{step} {cautions(words, kind, hazards, short=short)}".strip()


def _step(words: Words, finding: Finding) -> str:
    if finding.kind in words.kinds:
        return words.kinds[finding.kind].step
    # An outside detector's own words, unless they order what we never order.
    given = finding.first_step.strip().rstrip(".")
    return given if given and not FORBIDDEN.search(given) else words.other.step


def _what(words: Words, finding: Finding) -> str:
    kind: KindWords = words.kinds.get(finding.kind, words.other)
    what = kind.by_cause.get(finding.cause or "", kind.what)
    return what.format(unit=finding.unit, kind=finding.kind.replace("-", " "))


def _skid_name(fleet: Fleet, finding: Finding) -> str:
    skid = fleet.skid(finding.skid)
    return skid.name if skid else finding.skid


def _shorter(words: Words, findings: Sequence[Finding], zone: ZoneInfo, now: datetime) -> Iterator[_Evidence]:
    """The evidence in full, then with less and less of it."""
    head = findings[0]
    evidence = _Evidence(
        cause=_cause(words, head),
        value=_value(words, head.evidence.numbers),
        sure="" if head.forecast else words.sure.format(percent=round(head.confidence * 100)),
    )
    if len(findings) > 1:
        evidence = replace(evidence, more=words.more.format(n=len(findings) - 1))
    if head.forecast:
        when, low, high = _interval(words, head.forecast, now, zone)
        evidence = replace(evidence, when=words.about.format(when=when, low=low, high=high))
        briefer = replace(evidence, when=words.about_short.format(when=when))
    else:
        onset = _stamp(words, head.onset, now, zone)
        evidence = replace(evidence, since=words.since.format(when=onset))
        briefer = replace(evidence, since=words.since_short.format(when=onset))
    bare_value = _value(words, head.evidence.numbers, limit=False)
    yield evidence
    yield (evidence := replace(evidence, more=""))
    yield (evidence := replace(evidence, sure=""))
    yield (evidence := replace(evidence, value=bare_value))
    yield (evidence := replace(evidence, value=""))
    yield (evidence := replace(evidence, cause=""))
    yield replace(evidence, when=briefer.when, since=briefer.since)
    yield _Evidence()


def _cause(words: Words, finding: Finding) -> str:
    """The cause as a doubt; nothing when the matter says it already."""
    cause = finding.cause
    if cause is None or cause in words.kinds.get(finding.kind, words.other).by_cause:
        return ""
    return words.causes.get(cause, cause.replace("-", " ") + "?")


def _value(words: Words, numbers: Sequence[Number], *, limit: bool = True) -> str:
    """The first number; with ``limit``, beside what it is compared with: a limit, or what is usual."""
    if not numbers:
        return ""
    first, *others = (_spoken(number) for number in numbers)
    value = figure(first.value)
    for other in others if limit else ():
        ending = other.name.rpartition("_")[2]
        if other.unit == first.unit and ending in COMPARED:
            said = words.usual if ending in ("usual", "expected") else words.of
            value = said.format(value=value, limit=figure(other.value))
            break
    unit = re.sub(r"[\[\]{}]", "", label(first.unit))
    return f"{words.numbers.get(first.name, first.name.replace('_', ' '))} {value} {unit}".rstrip()


def _spoken(number: Number) -> Number:
    """A share that people think of in percent, in percent."""
    if number.unit == "1" and number.name.startswith(PERCENT):
        return number.model_copy(update={"value": number.value * 100, "unit": "%"})
    return number


def figure(value: float) -> str:
    """A number for people: three digits that count, never an exponent."""
    if abs(value) >= 1000:
        return f"{value:.0f}"
    return f"{value:.3g}" if abs(value) >= 0.001 or value == 0 else f"{value:.4f}"


def _interval(words: Words, forecast: Forecast, now: datetime, zone: ZoneInfo) -> tuple[str, str, str]:
    """When, low and high; ends within half a day of the middle need no day of their own."""
    middle = forecast.when
    ends = (
        f"{end.astimezone(zone):%H:%M}" if abs(end - middle) < HALF_DAY else _stamp(words, end, now, zone)
        for end in (forecast.low, forecast.high)
    )
    low, high = ends
    return _stamp(words, middle, now, zone), low, high


def _stamp(words: Words, moment: datetime, now: datetime, zone: ZoneInfo) -> str:
    """``14:20`` today, ``Tue 14:20`` within days, otherwise ``12 Mar``; site time."""
    here, today = moment.astimezone(zone), now.astimezone(zone).date()
    days = abs((here.date() - today).days)
    if days == 0:
        return f"{here:%H:%M}"
    if days <= DAYS_BY_NAME:
        return f"{words.weekdays[here.weekday()]} {here:%H:%M}"
    return f"{here.day} {words.months[here.month - 1]}"
