"""Judges answers: who said what to which prompt, accepted with its effect or refused with the reason."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any, Final

from alerts import grouping, lifecycle, routing
from alerts.intake import Intake
from alerts.lifecycle import CLEARED, UNACKNOWLEDGED, Event
from alerts.outbox import Outbox
from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.fleet.model import Person
from skidhand.logbook.prompts import PromptWork
from skidhand.model.prompt import Answer, Prompt, Verb

EVENT: Final[dict[Verb, Event]] = {
    "acknowledge": "acknowledge",
    "mine": "acknowledge",
    "done": "acknowledge",  # it is cleared when the readings are back to normal, not by word
    "false": "dismiss",
    "wait": "shelve",
    "pass": "pass",
    "unshelve": "wake",
    "work": "out-of-service",
}
SHORTEST: Final = timedelta(minutes=5)
LONGEST: Final = timedelta(days=7)
USUAL: Final = timedelta(hours=4)
"""How long ``wait`` shelves without a duration; all three are common practice, no source."""

_UNIT: Final = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}


class RefusedAnswerError(UserError):
    """An answer that has no effect; the message says why."""


class Judge:
    """Judges answers inside one transaction."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, outbox: Outbox, intake: Intake) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._outbox = outbox
        self._intake = intake

    def judge(self, answer: Answer) -> Answer:
        """The answer as it was judged; written, with all that follows from it."""
        try:
            self._follow(answer)
            judged = answer.model_copy(update={"state": "accepted", "judged": self._now})
        except UserError as error:
            judged = answer.model_copy(update={"state": "refused", "judged": self._now, "reason": str(error)})
        self._book.judged(judged)
        return judged

    def wake(self) -> None:
        """End the shelving of prompts whose time is over."""
        for prompt in self._book.prompts_in(lifecycle.SHELVED):
            if prompt.shelved_until is None or prompt.shelved_until <= self._now:
                standing = grouping.standing(self._book.findings(prompt.findings), prompt.root)
                event: Event = "wake" if standing else "wake-normal"
                moved = self._move(prompt, event, "skidhand", "the time is over")
                if standing:
                    self._outbox.tell(moved, standing)

    def _follow(self, answer: Answer) -> None:
        person = routing.person_of(self._fleet, answer.who)
        if person is None:
            known = ", ".join(p.id for p in self._fleet.roster.people) or "nobody"
            raise RefusedAnswerError(f"{answer.who!r} is not on the roster; there are {known}")
        prompt = self._addressed(answer.code)
        said = f"{answer.verb}{': ' + answer.text if answer.text else ''} ({answer.channel})"
        changes, to = self._effect(answer, prompt, person)
        moved = self._move(prompt, EVENT[answer.verb], person.id, said, **changes)
        if moved.state != UNACKNOWLEDGED:
            self._outbox.withdraw(moved, f"answered by {person.id}")
        if to is not None:
            self._outbox.tell(moved, grouping.standing(self._book.findings(moved.findings), moved.root), to)
        elif moved.state == lifecycle.ACKNOWLEDGED:
            self._intake.settle(moved, why=said)  # it may have returned to normal while it was shelved

    def _addressed(self, code: str) -> Prompt:
        digits = re.sub(r"\s", "", code)
        prompt = self._book.prompt_by_code(digits)
        if prompt is None:
            raise RefusedAnswerError(f"no prompt has the code {code!r}")
        if prompt.state == CLEARED:
            raise RefusedAnswerError(f"prompt {digits} is closed since {prompt.updated:%Y-%m-%d %H:%MZ}")
        return prompt

    def _effect(self, answer: Answer, prompt: Prompt, person: Person) -> tuple[dict[str, Any], Person | None]:
        """What an answer changes beside the state, and who is told because of it."""
        match answer.verb:
            case "mine":
                return {"taken_by": person.id}, None
            case "done" | "false":
                return {"verdict": answer.verb}, None
            case "wait":
                return {"shelved_until": self._now + duration(answer.text)}, None
            case "pass":
                return {"taken_by": None}, self._next(answer, prompt, person)
            case _:
                return {}, None

    def _next(self, answer: Answer, prompt: Prompt, person: Person) -> Person:
        named = answer.text.strip()
        found = routing.person_of(self._fleet, named) if named else routing.after(self._fleet, prompt.site, person.id)
        if found is None:
            people = ", ".join(p.id for p in self._fleet.roster.people if p.id != person.id)
            who = f"nobody called {named!r}" if named else f"nobody after {person.id} in the duty"
            raise RefusedAnswerError(f"there is {who}; name one of {people or 'nobody else is on the roster'}")
        return found

    def _move(self, prompt: Prompt, event: Event, who: str, why: str, **changes: Any) -> Prompt:
        moved, row = lifecycle.move(prompt, event, at=self._now, who=who, why=why, **changes)
        self._book.save(moved)
        self._book.record(row)
        return moved


def duration(text: str) -> timedelta:
    """``30m``, ``4h``, ``2d`` (or ``1h 30m``) as a time; the usual one for no text. RefusedAnswerError otherwise."""
    given = text.strip().lower()
    if not given:
        return USUAL
    found = re.fullmatch(r"(?:\s*\d{1,4}\s*[mhd])+", given)
    length = sum((int(n) * _UNIT[u] for n, u in re.findall(r"(\d+)\s*([mhd])", given)), timedelta())
    if found is None or not SHORTEST <= length <= LONGEST:
        raise RefusedAnswerError(f"can't wait {text!r}; give a time such as 30m, 4h or 2d, from 5m to 7d")
    return length
