"""What an answer does, once it is known who said it and to which prompt.

Whoever reads answers (a text, a link, the board, the command line) makes an ``Answer`` with a verb and the
prompt's code and adds it to ``logbook.answers``; it never touches a prompt. ``answers.Judge`` checks sender and
code, then calls ``Actions.follow``. The verbs:

- ``acknowledge``: seen. The escalation clock is put off by one step, not stopped: seeing is not doing.
- ``mine``: taken. The clock stops; everything about it goes to this person, who is asked (``check-back``) after
  ``roster.escalation.check_back`` minutes whether it still stands; no answer to that, and escalation goes on.
- ``done`` (text: what was done): as ``mine``, with the verdict; cleared by the readings, not by word. On a prompt
  that asks about work (``about`` begins with ``work:``): the work has ended.
- ``false`` (text: why): cleared, counted as a false call; told again only if it becomes worse.
- ``wait`` (text: ``30m``, ``4h``, ``2d``; 4 h if none): shelved until then. On a prompt about work: prolonged by it.
- ``pass`` (text: a person's id, or nothing): the next of the duty is told, their clock begins anew.
- ``unshelve``: back from the shelf at once; the board's button, no word for it in a text.
- ``work`` (text as ``wait``): the prompt's skid is out of service for that time, because this person works there.

Channels and hand-over. ``Channel.send(delivery)`` returns the gateway's own number of the message, or None; a
receipt later goes in by ``logbook.prompts.receipt(channel, reference, delivered)``. Each channel says by a class
attribute ``part`` what it is for:

- ``message`` (default where ``address`` is ``phone``): the one message that somebody gets. The first one that the
  person has an address for; the next one when that has failed for good; then the next person of the duty.
- ``ring``: a call that wakes, in addition, for what may not wait and is of high priority or sent in the night.
- ``copy`` (default else: e-mail, file, webhook, console): in addition, always; counts as told only where there is
  no ``message`` channel.

``delivery.text`` is written at the moment of sending, so a message is never older than what it says;
``delivery.purpose`` is ``prompt``, ``reminder`` (nobody has answered), ``check-back`` or ``summary`` (flood).
Failed for good: three attempts, a receipt ``undelivered``, or no address. Escalation steps, and who is on duty
when, stand in ``skidhand.fleet.roster``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any, Final
from uuid import uuid4

from alerts import grouping, lifecycle, routing
from alerts.intake import Intake
from alerts.lifecycle import UNACKNOWLEDGED, Event
from alerts.notices import ABOUT_WORK
from alerts.outbox import Outbox
from skidhand.errors import UserError
from skidhand.fleet import Fleet
from skidhand.fleet.roster import Person
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.prompt import Answer, Prompt, Verb, Work

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
SECOND_LOOK: Final = timedelta(minutes=15)
"""How long an acknowledgement puts the clock off where the roster gives no steps."""

_UNIT: Final = {"m": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}


class RefusedAnswerError(UserError):
    """An answer that has no effect; the message says why."""


@dataclass(frozen=True, slots=True)
class Actions:
    """Does what answers ask for, inside one transaction."""

    book: PromptWork
    fleet: Fleet
    now: datetime
    outbox: Outbox
    intake: Intake

    def follow(self, answer: Answer, prompt: Prompt, person: Person) -> None:
        """Do it, with all that follows; RefusedAnswerError or RefusedTransitionError when it can't be done."""
        said = f"{answer.verb}{': ' + answer.text if answer.text else ''} ({answer.channel})"
        event = EVENT[answer.verb]
        if prompt.about is not None and prompt.about.startswith(ABOUT_WORK) and answer.verb in ("wait", "done"):
            self._change_work(prompt, answer)
            event = "acknowledge"
        elif event == "wake" and not self._standing(prompt):
            event = "wake-normal"
        changes, to = self._effect(answer, prompt, person)
        moved, row = lifecycle.move(prompt, event, at=self.now, who=person.id, why=said, **changes)
        self.book.save(moved)
        self.book.record(row)
        if moved.state != UNACKNOWLEDGED:
            self.outbox.withdraw(moved, f"answered by {person.id}")
        if to is not None or (event == "wake" and moved.state == UNACKNOWLEDGED):
            self.outbox.tell(moved, self._standing(moved), to.id if to else None)
        elif moved.state == lifecycle.ACKNOWLEDGED:
            self.intake.settle(moved, why=said)  # it may have returned to normal while it was shelved
        if answer.verb == "work":
            self._begin_work(answer, prompt, person)

    def _effect(self, answer: Answer, prompt: Prompt, person: Person) -> tuple[dict[str, Any], Person | None]:
        """What an answer changes beside the state, and who is told because of it."""
        check = self.now + timedelta(minutes=self.fleet.roster.escalation.check_back)
        mine = {"taken_by": person.id, "check_at": check, "escalate_at": None}
        match answer.verb:
            case "acknowledge":
                return {} if prompt.taken_by else {"escalate_at": self._next_step(prompt)}, None
            case "mine":
                return mine, None
            case "done":
                return {**mine, "verdict": "done"}, None
            case "false":
                return {"verdict": "false"}, None
            case "wait" if prompt.about is None:
                return {"shelved_until": self.now + duration(answer.text)}, None
            case "pass":
                return {"taken_by": None}, self._next(answer, prompt, person)
            case _:
                return {}, None

    def _next_step(self, prompt: Prompt) -> datetime | None:
        """One step later than it would have been; never for what was never to be sent."""
        if prompt.route == "desk":
            return None
        steps = (0.0, *self.fleet.roster.escalation.minutes)
        longest = max((b - a for a, b in pairwise(steps)), default=None)
        if longest is None:
            return None
        return max(prompt.escalate_at or self.now, self.now) + timedelta(minutes=longest)

    def _next(self, answer: Answer, prompt: Prompt, person: Person) -> Person:
        named = answer.text.strip()
        if named:
            found = routing.person_of(self.fleet, named)
        else:
            people = self.outbox.line(prompt, self._standing(prompt))
            at = next((i for i, one in enumerate(people) if one.id == person.id), -1)
            found = people[at + 1] if at + 1 < len(people) else None
        if found is None:
            names = ", ".join(p.id for p in self.fleet.roster.people if p.id != person.id)
            who = f"nobody called {named!r}" if named else f"nobody after {person.id} in the duty"
            raise RefusedAnswerError(f"there is {who}; name one of {names or 'nobody else is on the roster'}")
        return found

    def _begin_work(self, answer: Answer, prompt: Prompt, person: Person) -> None:
        until = self.now + duration(answer.text)
        self.book.put_work(
            Work(id=uuid4(), skid=prompt.skid, who=person.id, why=f"prompt {prompt.code}", begins=self.now, until=until)
        )

    def _change_work(self, prompt: Prompt, answer: Answer) -> None:
        for work in self.book.open_work():
            if prompt.about == f"{ABOUT_WORK}{work.id}":
                until = self.now if answer.verb == "done" else max(work.until, self.now) + duration(answer.text)
                self.book.put_work(work.model_copy(update={"until": until, "asked": None}))
                return
        raise RefusedAnswerError("that work has ended; 'skidhand work' begins it anew")

    def _standing(self, prompt: Prompt) -> list[Any]:
        return grouping.standing(self.book.findings(prompt.findings), prompt.root)


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
