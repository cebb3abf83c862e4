"""Work and planned outages: they begin, are asked about before they end, and end by themselves."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from alerts.intake import Intake
from alerts.lifecycle import CLEARED
from alerts.notices import ABOUT_WORK
from skidhand.fleet import Fleet
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.prompt import Work

ASK_BEFORE: Final = timedelta(minutes=15)
"""How long before its end whoever works there is asked whether it goes on; common practice, no source."""


@dataclass(frozen=True, slots=True)
class WorkOrders:
    """Looks after all work that has not ended, inside one transaction."""

    book: PromptWork
    fleet: Fleet
    now: datetime
    intake: Intake

    def run(self) -> None:
        """Do what is due. What came up meanwhile speaks again once the work has ended."""
        changed = set[str]()
        for work in self.book.open_work():
            if work.until <= self.now:
                self.book.put_work(work.model_copy(update={"ended": self.now, "begun": True}))
                self._close_question(work)
                changed.add(work.skid)
            elif work.begins <= self.now and not work.begun:
                self.book.put_work(work.model_copy(update={"begun": True}))
                changed.add(work.skid)
            elif work.begun and work.asked is None and work.until - self.now <= ASK_BEFORE:
                self._ask(work)
        if changed:
            self.intake.work_changed()
            self.intake.reconcile_skids(changed)

    def _ask(self, work: Work) -> None:
        skid = self.fleet.skid(work.skid)
        placement = self.fleet.placement_at(skid, self.now) if skid else None
        what = " ".join([skid.name if skid else work.skid, *([work.unit] if work.unit else [])])
        self._close_question(work)
        self.intake.raise_about(
            f"{ABOUT_WORK}{work.id}",
            skid=work.skid,
            site=placement.site if placement else "",
            title=f"{what}: prompts are sent again from {work.until:%Y-%m-%d %H:%MZ}",
            unit=what,
            kind="maintenance",
            priority="medium",
            taken_by=work.who,
        )
        self.book.put_work(work.model_copy(update={"asked": self.now}))

    def _close_question(self, work: Work) -> None:
        for prompt in self.book.open_on([work.skid], [""]):
            if prompt.about == f"{ABOUT_WORK}{work.id}" and prompt.state != CLEARED:
                self.intake.over(prompt, "the work has ended")
