"""What keeps prompts quiet right now: work orders, and the prompts of suppressing kinds, read once a batch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from uuid import UUID

from alerts import grouping, suppression
from alerts.suppression import SUPPRESSORS, Quiet
from skidhand.fleet import Fleet
from skidhand.logbook.prompt_work import PromptWork
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt, Work


class Quieting:
    """Answers for one transaction what ``suppression`` says, from what stands in the logbook."""

    def __init__(self, book: PromptWork, fleet: Fleet, now: datetime) -> None:
        self._book = book
        self._fleet = fleet
        self._now = now
        self._work: list[Work] | None = None
        self._loaded: set[str] = set()
        self._open: dict[UUID, Prompt] = {}
        self._by_skid: dict[str, set[UUID]] = {}
        self._touched: set[str] = set()

    def wanted(self, prompt: Prompt, standing: Sequence[Finding]) -> Quiet | None:
        """The quiet state that ``prompt`` must have; None when it may speak."""
        self.load([prompt.skid])
        beside = [self._open[one] for one in self._by_skid.get(prompt.skid, ()) if one != prompt.id]
        return suppression.quiet(standing, self.work(), sorted(beside, key=lambda p: p.created), self._now)

    def on_site(self, standing: Sequence[Finding]) -> str | None:
        """Who works there, by their id on the roster."""
        return suppression.on_site(standing, self.work(), self._now)

    def work(self) -> list[Work]:
        """What has not ended."""
        if self._work is None:
            self._work = self._book.open_work()
        return self._work

    def forget_work(self) -> None:
        """It has changed: read it again."""
        self._work = None

    def load(self, skids: Iterable[str]) -> None:
        """Read the prompts that may keep others of ``skids`` quiet; one about lost data may be kept by a neighbour."""
        asked = {other for skid in skids for other in grouping.neighbours(skid, self._fleet)} - self._loaded
        if asked:
            self._loaded |= asked
            for prompt in self._book.open_on(asked, SUPPRESSORS):
                self._keep(prompt)

    def changed(self, prompt: Prompt) -> None:
        """A prompt was raised or changed: if it is of a suppressing kind, others of its skids depend on it."""
        if prompt.head in SUPPRESSORS:
            self.load([prompt.skid])
            self._touched |= self._keep(prompt)

    def touched(self) -> set[str]:
        """Skids whose other prompts must be looked at again; asked once."""
        touched, self._touched = self._touched, set()
        return touched

    def _keep(self, prompt: Prompt) -> set[str]:
        self._open[prompt.id] = prompt
        skids = {finding.skid for finding in self._book.findings(prompt.findings)} | {prompt.skid}
        for skid in skids:
            self._by_skid.setdefault(skid, set()).add(prompt.id)
        return skids
