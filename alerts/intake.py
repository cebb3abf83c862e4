"""Findings become prompts: raised, grown, made worse, moved, returned to normal. One transaction, no sending."""

from __future__ import annotations

import random
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID, uuid5

from alerts import codes, grouping, lifecycle, routing, wording
from alerts.lifecycle import CLEARED, OUT_OF_SERVICE, RETURNED, SUPPRESSED, UNACKNOWLEDGED
from alerts.outbox import Outbox
from alerts.quieting import Quieting
from skidhand.fleet import Fleet
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt

PROGRAM: Final = "skidhand"
CHATTER: Final = timedelta(hours=1)
"""How long what ended within its deadband waits before it counts as over; common practice, no source."""
_PROMPTS: Final = UUID("0d9d2c5e-7a55-5e0c-8f0e-5b1d6a3f9c42")
_RELEASE: Final[dict[str, tuple[lifecycle.Event, lifecycle.Event]]] = {
    SUPPRESSED: ("release", "release-normal"),
    OUT_OF_SERVICE: ("back", "back-normal"),
}


class Intake:
    """Works revisions of findings into prompts."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime, outbox: Outbox, rng: random.Random) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._outbox = outbox
        self._rng = rng
        self._quieting = Quieting(book, fleet, now)
        self._codes: codes.Taken | None = None
        self.raised = 0

    def prepare(self, skids: Iterable[str]) -> None:
        """Read together what a batch about ``skids`` will ask for."""
        self._quieting.load(skids)

    def take(self, finding: Finding) -> None:
        """Work one revision in; it is the newest of its finding that counts from now on."""
        prompt = self._book.prompt_of(finding.id)
        if finding.state == "superseded" and (prompt is None or finding.superseded_by is not None):
            if prompt is not None and finding.superseded_by is not None:
                self._hand_over(prompt, finding, finding.superseded_by)
            return
        home = grouping.home_of(finding, self._book, self._fleet)
        place = prompt or home
        if place is None:
            if not finding.late:
                self._raise(finding)
            return
        grew = finding.id not in (home or place).findings
        if prompt is not None and home is not None and home.id != place.id:
            place = self._join(place, home, finding)
        grown = self._with(place, finding.id)
        self.settle(grown, why=f"{finding.kind}, revision {finding.revision}", late=finding.late, grew=grew)

    def settle(self, prompt: Prompt, *, why: str, late: bool = False, grew: bool = False) -> Prompt:
        """Bring ``prompt`` in line with its findings, and tell people what they must hear.

        What only late data showed may close a prompt and change its words, but never tells anybody. ``grew``:
        a finding has joined that nobody can have called false.
        """
        if prompt.about is not None:  # it has no findings: who raised it says when it is over
            return prompt
        standing = self._standing(prompt)
        if not standing:
            return self._ended(prompt, why)
        fresh = self._described(prompt, standing).model_copy(update={"return_at": None})
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
        return self.reconcile(self._quietly(fresh))

    def reconcile(self, prompt: Prompt) -> Prompt:
        """Make ``prompt`` quiet, or speak again, as work and what stands beside it want it."""
        standing = self._standing(prompt)
        wanted = self._quieting.wanted(prompt, standing)
        if wanted is not None and prompt.state not in (CLEARED, wanted.state):
            event: lifecycle.Event = "out-of-service" if wanted.state == OUT_OF_SERVICE else "suppress"
            if (prompt.state, event) in lifecycle.TABLE:
                self._outbox.withdraw(prompt, wanted.why)
                return self._step(prompt, event, wanted.why)
        if wanted is None and prompt.state in _RELEASE and prompt.about is None:
            stands, over = _RELEASE[prompt.state]
            if not standing:
                return self._step(prompt, over, "the reason for the quiet has ended, and it is back to normal")
            told = self._book.told(prompt.id)
            return self._step(prompt, stands, "the reason for the quiet has ended", tell=not told)
        return prompt

    def reconcile_skids(self, skids: Iterable[str]) -> None:
        """:meth:`reconcile` all open prompts of ``skids``: what keeps them quiet began or ended."""
        for prompt in self._book.open_on(set(skids)):
            self.reconcile(prompt)

    def work_changed(self) -> None:
        """Work began or ended in this transaction."""
        self._quieting.forget_work()

    def finish(self) -> None:
        """After a batch: what it brought may keep other prompts of those skids quiet, or no longer."""
        if skids := self._quieting.touched():
            self.reconcile_skids(skids)

    def raise_about(self, about: str, *, skid: str, site: str, title: str, **fields: Any) -> Prompt:
        """A prompt that has no findings: skidhand itself has something to say."""
        prompt = Prompt(
            id=uuid5(_PROMPTS, f"{about}\x1f{self._now.isoformat()}"), code=self._mint(), state=UNACKNOWLEDGED,
            site=site, skid=skid, root=uuid5(_PROMPTS, about), findings=(), title=title, about=about,
            created=self._now, updated=self._now,
            **{"kind": "data", "priority": "high", "route": "phone", "unit": "", **fields},
        )  # fmt: skip
        self._book.save(prompt, new=True)
        self._book.record(lifecycle.raised(prompt, why=title))
        self.raised += 1
        return self._outbox.tell(prompt, [])

    def over(self, prompt: Prompt, why: str) -> Prompt:
        """A prompt without findings is back to normal."""
        return self._return(prompt, why)

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
            head=finding.kind,
        )
        self._book.save(prompt, new=True)
        self._book.record(lifecycle.raised(prompt, why=f"{finding.kind}: {prompt.title}"))
        self._link(prompt, [finding.id, *causes])
        self.raised += 1
        self._quieting.changed(prompt)
        if finding.state != "open":
            self._return(prompt, "over before it was seen here")
        elif self.reconcile(prompt) is prompt:
            self._tell(prompt, standing)

    def _ended(self, prompt: Prompt, why: str) -> Prompt:
        """All of it has closed: back to normal, once the off-delay is over."""
        if (prompt.state, "return") not in lifecycle.TABLE or prompt.state in lifecycle.QUIET:
            return self._return(prompt, why)
        until = prompt.return_at or self._over_at(prompt)
        if until > self._now:
            return self._quietly(prompt.model_copy(update={"return_at": until}))
        return self._return(prompt.model_copy(update={"return_at": None}), why)

    def _over_at(self, prompt: Prompt) -> datetime:
        wait = timedelta()
        for finding in self._book.findings(prompt.findings):
            delay = routing.delay_of(finding.kind, self._fleet)
            wait = max(wait, timedelta(minutes=delay.off_delay))
            if delay.deadband and grouping.within(finding, delay.deadband):
                wait = max(wait, CHATTER)
        return self._now + wait

    def _return(self, prompt: Prompt, why: str) -> Prompt:
        self._quieting.changed(prompt)
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
        self._quieting.changed(moved)
        if moved.state == UNACKNOWLEDGED and event not in ("release", "back") and prompt.about is None:
            settled = self.reconcile(moved)
            if settled is not moved:
                return settled
        if moved.state == UNACKNOWLEDGED and tell:
            return self._tell(moved, self._standing(moved))
        if moved.state == UNACKNOWLEDGED and event in ("recur", "release", "back"):
            return self._outbox.wind(moved)
        return moved

    def _tell(self, prompt: Prompt, standing: list[Finding]) -> Prompt:
        return self._outbox.tell(prompt, standing, to=self._quieting.on_site(standing))

    def _quietly(self, prompt: Prompt) -> Prompt:
        self._book.save(prompt)
        return prompt

    def _standing(self, prompt: Prompt) -> list[Finding]:
        return grouping.standing(self._book.findings(prompt.findings), prompt.root)

    def _described(self, prompt: Prompt, standing: list[Finding]) -> Prompt:
        """``prompt`` with site, kind, unit, priority, route and title of what stands now.

        The site too: whose skid was moved is spoken of to those who have it now.
        """
        return prompt.model_copy(
            update={
                "site": standing[0].site,
                "kind": routing.kind_info(standing[0].kind).prompt,
                "unit": standing[0].unit,
                "head": standing[0].kind,
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
        if self._codes is None:
            self._codes = codes.Taken(self._book.codes(self._now - codes.REST))
        code = codes.mint(self._codes, self._rng)
        self._codes.add(code)
        return code

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
