"""The text of a message at the moment of sending: what the prompt says now, and why it comes again or late."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from alerts import gsm, routing, wording
from alerts.words import Words, words_in
from skidhand.fleet import Fleet
from skidhand.model.finding import Finding
from skidhand.model.prompt import Delivery, Prompt

LATE: Final = timedelta(minutes=15)
"""A message that leaves so long after it should have says when that was; common practice, no source."""
ABOUT_WORK: Final = "work:"
NAMED: Final = 3  # codes that a summary names


def text_of(
    delivery: Delivery,
    prompt: Prompt,
    standing: Sequence[Finding],
    fleet: Fleet,
    *,
    now: datetime,
    gas: bool = False,
    until: datetime | None = None,
) -> str:
    """The text of ``delivery``.

    ``gas``: the alarm is on or its signal is stale, so nobody may be sent there. ``until``: the end of the work that
    a prompt without findings asks about.
    """
    person = fleet.roster.person(delivery.person)
    language = person.language if person else "en"
    words = words_in(language)
    begin = _begin(words, delivery, prompt, fleet, now)
    if not standing:
        begin += words.repeat if delivery.repeat else ""
        here = until.astimezone(routing.zone_of(fleet, prompt.site)) if until else None
        return gsm.fitted(begin + _own(words, prompt, f"{here:%H:%M}" if here else "?"))
    if gas:
        standing = [one.model_copy(update={"hazards": (*one.hazards, routing.GAS)}) for one in standing]
    return wording.text_of(prompt, standing, fleet, now=now, language=language, repeat=delivery.repeat, prefix=begin)


def summary_of(prompts: Sequence[Prompt], language: str) -> str:
    """One message instead of many: how many, how many of them high, and the codes of the worst."""
    worst = sorted(prompts, key=lambda one: (-routing.RANK.index(one.priority), one.created))
    high = sum(one.priority == "high" for one in prompts)
    codes = ", ".join(one.code for one in worst[:NAMED])
    return gsm.fitted(words_in(language).summary.format(n=len(prompts), high=high, codes=codes))


def _begin(words: Words, delivery: Delivery, prompt: Prompt, fleet: Fleet, now: datetime) -> str:
    begin = {"reminder": words.reminder, "check-back": words.check_back}.get(delivery.purpose, "")
    if delivery.meant is not None and now - delivery.meant > LATE:
        begin += words.late.format(when=f"{delivery.meant.astimezone(routing.zone_of(fleet, prompt.site)):%H:%M}")
    return begin


def _own(words: Words, prompt: Prompt, until: str) -> str:
    """What has no findings: skidhand is blind, or asks whether work goes on."""
    if prompt.about is not None and prompt.about.startswith(ABOUT_WORK):
        return words.work_ends.format(what=prompt.unit, when=until, code=prompt.code)
    step = words.suggest.format(step=words.blind_step)
    return f"{words.blind.format(what=prompt.unit)}. {step} {words.answer.format(code=prompt.code)}"
