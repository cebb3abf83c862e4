"""What happens to prompts because time goes by: steps of the escalation, asking back, ends of shelving and delays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from alerts import grouping, lifecycle
from alerts.intake import PROGRAM, Intake
from alerts.lifecycle import ACKNOWLEDGED, SHELVED, UNACKNOWLEDGED, Event
from alerts.outbox import Outbox
from skidhand.fleet import Fleet
from skidhand.fleet.roster import Person
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt

MOST: Final = 200
"""After a flood thousands are due at once; the next round takes the next ones, and others write in between."""


@dataclass(frozen=True, slots=True)
class Timers:
    """Looks at every prompt whose time has come, inside one transaction."""

    book: PromptWork
    fleet: Fleet
    now: datetime
    outbox: Outbox
    intake: Intake

    def run(self) -> int:
        """Do what is due, at most MOST of it in one transaction; gives how many prompts were looked at."""
        due = self.book.prompts_due(self.now, MOST)
        self.book.read_together(prompt.id for prompt in due)
        self.book.findings([finding for prompt in due for finding in prompt.findings])
        for prompt in due:
            self._look(prompt)
        return len(due)

    def _look(self, prompt: Prompt) -> None:
        if prompt.state == SHELVED and self._past(prompt.shelved_until):
            self._wake(prompt)
        elif self._past(prompt.return_at):
            self.intake.settle(prompt, why="the off-delay is over")
        elif prompt.state == ACKNOWLEDGED and self._past(prompt.check_at):
            self._check_back(prompt)
        elif prompt.state == ACKNOWLEDGED and self._past(prompt.escalate_at):
            self._taken_up_by_nobody(prompt)
        elif prompt.state == UNACKNOWLEDGED and self._past(prompt.escalate_at):
            self._remind(prompt)
        else:  # a time that has no meaning in this state
            self.book.save(prompt.model_copy(update={"escalate_at": None, "check_at": None, "return_at": None}))

    def _wake(self, prompt: Prompt) -> None:
        standing = self._standing(prompt)
        stands = bool(standing) or prompt.about is not None
        moved = self._move(prompt, "wake" if stands else "wake-normal", "the time is over")
        if stands and self.intake.reconcile(moved) is moved:
            self.outbox.tell(moved, standing)

    def _remind(self, prompt: Prompt) -> None:
        """The next on duty; round again from the first. High ones go on; others stop after the last step."""
        standing = self._standing(prompt)
        step = prompt.step + 1
        people = self.outbox.line(prompt, standing)
        if waiting := [one.due or self.now for one in self.book.queued(prompt.id)]:
            # It has not left yet: to put another in its place could push it from one night into the next.
            due = max(self.now, *waiting) + timedelta(minutes=(self.fleet.roster.escalation.minutes or (15.0,))[0])
            self.book.save(prompt.model_copy(update={"escalate_at": due}))
            return
        if not people or not self.book.told(prompt.id):
            self.outbox.tell(prompt, standing)  # somebody may have come on duty; until then it is asked again
            return
        told = people[step % len(people)]
        why = f"nobody has taken it: step {step}, {told.id} is told"
        moved = self._move(prompt, "remind", why, step=step, escalate_at=self._after(prompt, step))
        self.outbox.again(moved, standing, told, "reminder")

    def _after(self, prompt: Prompt, step: int) -> datetime | None:
        """When the step after ``step`` is due; None when there is none."""
        steps = self.fleet.roster.escalation.minutes
        if step < len(steps) and prompt.told_at is not None:
            return max(prompt.told_at + timedelta(minutes=steps[step]), self.now + timedelta(minutes=1))
        if prompt.priority != "high" or not steps:
            return None
        return self.now + timedelta(minutes=steps[-1] - (steps[-2] if len(steps) > 1 else 0.0))

    def _check_back(self, prompt: Prompt) -> None:
        """Ask whoever took it; no answer to that within the first step, and it is told to the next."""
        steps = self.fleet.roster.escalation.minutes
        after = self.now + timedelta(minutes=steps[0]) if steps else None
        asked = self._move(
            prompt,
            "acknowledge",
            f"{prompt.taken_by} is asked whether it still stands",
            check_at=None,
            escalate_at=after,
        )
        person = self.fleet.roster.person(prompt.taken_by or "")
        if person is not None:
            self.outbox.again(asked, self._standing(asked), person, "check-back")

    def _taken_up_by_nobody(self, prompt: Prompt) -> None:
        standing = self._standing(prompt)
        why = f"no more was heard from {prompt.taken_by}" if prompt.taken_by else "acknowledged, and nobody took it"
        moved = self._move(prompt, "escalate", why, taken_by=None)
        told = self._behind(prompt.taken_by, self.outbox.line(moved, standing))
        self.outbox.tell(moved, standing, told.id if told else None)

    def _behind(self, person: str | None, people: tuple[Person, ...]) -> Person | None:
        at = next((i for i, one in enumerate(people) if one.id == person), 0)
        return people[(at + 1) % len(people)] if people else None

    def _move(self, prompt: Prompt, event: Event, why: str, **changes: Any) -> Prompt:
        moved, row = lifecycle.move(prompt, event, at=self.now, who=PROGRAM, why=why, **changes)
        self.book.save(moved)
        self.book.record(row)
        return moved

    def _standing(self, prompt: Prompt) -> list[Finding]:
        return grouping.standing(self.book.findings(prompt.findings), prompt.root)

    def _past(self, moment: datetime | None) -> bool:
        return moment is not None and moment <= self.now
