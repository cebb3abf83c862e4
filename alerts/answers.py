"""Judges answers: who said what to which prompt, accepted with its effect or refused with the reason."""

from __future__ import annotations

import re
from datetime import datetime

from alerts.actions import Actions, RefusedAnswerError
from alerts.intake import Intake
from alerts.lifecycle import CLEARED
from alerts.outbox import Outbox
from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.prompt import Answer, Prompt


class Judge:
    """Judges answers inside one transaction."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, outbox: Outbox, intake: Intake) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._actions = Actions(book, fleet, now, outbox, intake)

    def judge(self, answer: Answer) -> Answer:
        """The answer as it was judged; written, with all that follows from it."""
        try:
            self._follow(answer)
            judged = answer.model_copy(update={"state": "accepted", "judged": self._now})
        except UserError as error:
            judged = answer.model_copy(update={"state": "refused", "judged": self._now, "reason": str(error)})
        self._book.judged(judged)
        return judged

    def _follow(self, answer: Answer) -> None:
        person = self._fleet.roster.person(answer.who)
        if person is None:
            known = ", ".join(p.id for p in self._fleet.roster.people) or "nobody"
            raise RefusedAnswerError(f"{answer.who!r} is not on the roster; there are {known}")
        self._actions.follow(answer, self._addressed(answer.code), person)

    def _addressed(self, code: str) -> Prompt:
        digits = re.sub(r"\s", "", code)
        prompt = self._book.prompt_by_code(digits)
        if prompt is None:
            raise RefusedAnswerError(f"no prompt has the code {code!r}")
        if prompt.state == CLEARED:
            raise RefusedAnswerError(f"prompt {digits} is closed since {prompt.updated:%Y-%m-%d %H:%MZ}")
        return prompt
