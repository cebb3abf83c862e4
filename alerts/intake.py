"""Findings become prompts: raised, grown, made worse, moved, returned to normal. One transaction, no sending."""

from __future__ import annotations

import random
from collections.abc import Iterable
from datetime import datetime
from typing import Any, Final
from uuid import UUID, uuid5

from alerts import codes, grouping, lifecycle, routing, wording
from alerts.lifecycle import CLEARED, RETURNED, UNACKNOWLEDGED
from alerts.outbox import Outbox
from skidhand.fleet import Fleet
from skidhand.logbook.prompts import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt

PROGRAM: Final = "skidhand"
_PROMPTS: Final = UUID("0d9d2c5e-7a55-5e0c-8f0e-5b1d6a3f9c42")


class Intake:
    """Works revisions of findings into prompts."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, outbox: Outbox, rng: random.Random) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._outbox = outbox
        self._rng = rng
        self.raised = 0

    def take(self, finding: Finding) -> None:
        """Work one revision in; it is the newest of its finding that counts from now on."""
        prompt = self._book.prompt_of(finding.id)
        if finding.state == "superseded" and (prompt is None or finding.superseded_by is not None):
            if prompt is not None and finding.superseded_by is not None:
                self._hand_over(prompt, finding, finding.superseded_by)
            return
        home = grouping.home_of(finding, self._book)
        place = prompt or home
        if place is None:
            if not finding.late:
                self._raise(finding)
            return
        grew = finding.id not in (home or place).findings
        if home is not None and home.id != place.id:
            place = self._join(place, home, finding)
        grown = self._with(place, finding.id)
        self.settle(grown, why=f"{finding.kind}, revision {finding.revision}", late=finding.late, grew=grew)

    def settle(self, prompt: Prompt, *, why: str, late: bool = False, grew: bool = False) -> Prompt:
        """Bring ``prompt`` in line with its findings, and tell people what they must hear.

        What only late data showed may close a prompt and change its words, but never tells anybody. ``grew``:
        a finding has joined that nobody can have called false.
        """
        standing = grouping.standing(self._book.findings(prompt.findings), prompt.root)
        if not standing:
            return self._return(prompt, why)
        fresh = self._described(prompt, standing)
        worse = self._worse(prompt, fresh)
        if late:
            return self._quietly(fresh.model_copy(update={"priority": prompt.priority, "route": prompt.route}))
        if prompt.state == RETURNED:
            # Those who were told have the message still: nothing new is to be said unless it is worse.
            return self._step(fresh, "recur", why, tell=worse or not self._book.told(prompt.id))
        if prompt.state == CLEARED and (grew or prompt.verdict != "false"):
            return self._step(self._reopened(fresh), "recur", why, tell=True)
        if worse:
            return self._step(fresh, "escalate", f"{why}: now {fresh.priority}, {fresh.route}", tell=True)
        return self._quietly(fresh)

    def _raise(self, finding: Finding) -> None:
        causes = grouping.causes_of(finding, self._book)
        standing = [finding]
        prompt = Prompt(
            id=uuid5(_PROMPTS, str(finding.id)),
            code=self._mint(),
            kind=routing.kind_info(finding.kind).prompt,
            state=UNACKNOWLEDGED,
            priority=finding.severity,
            route=routing.route_of(finding, self._fleet),
            site=finding.site,
            skid=finding.skid,
            unit=finding.unit,
            root=causes[-1] if causes else finding.id,
            findings=(finding.id,),
            title=wording.title_of(standing, self._fleet, now=self._now),
            created=self._now,
            updated=self._now,
        )
        self._book.save(prompt)
        self._book.record(lifecycle.raised(prompt, why=f"{finding.kind}: {prompt.title}"))
        self._link(prompt, [finding.id, *causes])
        self.raised += 1
        if finding.state == "open":
            self._outbox.tell(prompt, standing)
        else:
            self._return(prompt, "over before it was seen here")

    def _return(self, prompt: Prompt, why: str) -> Prompt:
        if (prompt.state, "return") not in lifecycle.TABLE:
            return self._quietly(prompt)
        self._outbox.withdraw(prompt, "over before it could be sent")
        return self._step(prompt, "return", f"{why}: back to normal")

    def _hand_over(self, prompt: Prompt, finding: Finding, successor: UUID) -> None:
        """``finding`` gives way to ``successor``, seen or not: one prompt, and no new message."""
        target = self._book.prompt_of(successor)
        if target is None:
            # It comes later: it will find its place taken here.
            self._book.link(successor, prompt.id)
            self._book.save(self._with(prompt, successor))
            return
        place = prompt if target.id == prompt.id else self._join(prompt, target, finding)
        self.settle(place, why=f"{finding.kind} gave way", late=finding.late)

    def _join(self, prompt: Prompt, target: Prompt, finding: Finding) -> Prompt:
        """Move ``finding``, or the whole prompt if that hangs on it, into one prompt; gives the one that stays."""
        if finding.id != prompt.root and len(prompt.findings) > 1:
            rest = prompt.model_copy(update={"findings": tuple(f for f in prompt.findings if f != finding.id)})
            self._book.link(finding.id, target.id)
            self._book.save(rest)
            self.settle(rest, why=f"{finding.kind} belongs to prompt {target.code}", late=True)
            return self._with(target, finding.id)
        stays, goes = grouping.survivor(prompt, target)
        self._book.hand_over(goes.id, stays.id)
        self._outbox.withdraw(goes, f"belongs to prompt {stays.code}")
        if goes.state != CLEARED:
            self._step(goes, "merge", f"one root with prompt {stays.code}")
        joined = stays
        for one in goes.findings:
            joined = self._with(joined, one)
        return joined.model_copy(update={"root": target.root})

    def _step(self, prompt: Prompt, event: lifecycle.Event, why: str, *, tell: bool = False, **changes: Any) -> Prompt:
        moved, row = lifecycle.move(prompt, event, at=self._now, who=PROGRAM, why=why, **changes)
        self._book.save(moved)
        self._book.record(row)
        if tell and moved.state == UNACKNOWLEDGED:
            self._outbox.tell(moved, self._standing(moved))
        return moved

    def _quietly(self, prompt: Prompt) -> Prompt:
        self._book.save(prompt)
        if prompt.state == UNACKNOWLEDGED and (standing := self._standing(prompt)):
            self._outbox.refresh(prompt, standing)
        return prompt

    def _standing(self, prompt: Prompt) -> list[Finding]:
        return grouping.standing(self._book.findings(prompt.findings), prompt.root)

    def _described(self, prompt: Prompt, standing: list[Finding]) -> Prompt:
        """``prompt`` with kind, unit, priority, route and title of what stands now."""
        return prompt.model_copy(
            update={
                "kind": routing.kind_info(standing[0].kind).prompt,
                "unit": standing[0].unit,
                "priority": routing.priority_of(standing),
                "route": routing.most_urgent(routing.route_of(finding, self._fleet) for finding in standing),
                "title": wording.title_of(standing, self._fleet, now=self._now),
                "updated": self._now,
            }
        )

    def _reopened(self, prompt: Prompt) -> Prompt:
        """A cleared prompt that comes back begins anew; its code too, if another open prompt has it by now."""
        holder = self._book.prompt_by_code(prompt.code)
        taken = holder is not None and holder.id != prompt.id and holder.state != CLEARED
        code = self._mint() if taken else prompt.code
        return prompt.model_copy(update={"code": code, "verdict": None, "taken_by": None})

    def _mint(self) -> str:
        return codes.mint(self._book.codes(self._now - codes.REST), self._rng)

    def _with(self, prompt: Prompt, finding: UUID) -> Prompt:
        self._link(prompt, [finding])
        if finding in prompt.findings:
            return prompt
        return prompt.model_copy(update={"findings": (*prompt.findings, finding)})

    def _link(self, prompt: Prompt, findings: Iterable[UUID]) -> None:
        """Findings belong to ``prompt`` unless they belong to one already."""
        for finding in findings:
            if self._book.prompt_of(finding) is None:
                self._book.link(finding, prompt.id)

    def _worse(self, before: Prompt, now: Prompt) -> bool:
        """True when it is more severe than people were told, or must reach a phone that has not heard of it."""
        severer = routing.RANK.index(now.priority) > routing.RANK.index(before.priority)
        sooner = routing.URGENCY.index(now.route) > routing.URGENCY.index(before.route)
        return severer or (sooner and not self._book.told(before.id))
