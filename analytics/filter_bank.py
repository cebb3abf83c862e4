"""Filters side by side: they have one drop, which comes to its limit once for each of them in turn.

So the drop is followed from one wash to the next, whoever was washed, and a filter is next when it has been in
service longest. Which of several never seen washed is next is told by their flows: the least has fouled most.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.conditions import Water
from analytics.filter_runs import Run, clean_factor
from analytics.forecast import Library, learn
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView

# Common practice, no source.
ALIKE: Final = 1.05  # times the least flow of filters side by side, within which it is not told which is next
LEAST_PHASE: Final = 0.3  # share of the terminal drop that the drop between two washes must reach to teach


class Bank(BaseModel):
    """``phase``: since the last wash of any; ``washed``: minute of each one's last; ``library``: earlier phases."""

    model_config = ConfigDict(extra="forbid")

    phase: Run | None = None
    washed: dict[str, int] = {}
    library: Library = Library()

    def copied(self) -> Bank:
        """The same, to be changed in place."""
        phase = None if self.phase is None else self.phase.copy()
        return self.model_copy(update={"phase": phase, "washed": dict(self.washed)})

    def end(self, terminal: float) -> None:
        """One of them is washed: learn from how the drop climbed."""
        done = self.phase.finished() if self.phase is not None and self.phase.whole else None
        if done is not None and max(done.drops) >= LEAST_PHASE * terminal:
            self.library = learn(self.library, done, self.library.level(terminal))
        self.phase = None


def beside(unit: UnitView, skid: SkidView) -> tuple[str, ...]:
    """Filters that take the same water at the same drop, where all flows are known."""
    bank = [other for other in skid.of_type("media_filter") if other.upstream == unit.upstream]
    known = all(other.has("flow") for other in bank)
    return tuple(other.id for other in bank if other.id != unit.id) if known else ()


class BankMinutes:
    """One block of a bank, minute by minute, as the filter ``unit`` sees it."""

    def __init__(
        self, unit: UnitView, names: tuple[str, ...], block: Block, water: Water, celsius: F64, flow0: float | None
    ) -> None:
        none = np.zeros(len(block), dtype=np.bool_)
        self.me, self.others = unit.id, names
        self.washing = {name: block.washing.get(name, none).tolist() for name in (unit.id, *names)}
        flows = np.array([block.clean(name, "flow") for name in (unit.id, *names)])
        serving = flows > 0.0
        known = np.isfinite(flows).all(axis=0) & serving.any(axis=0)
        total = np.where(known, np.where(serving, flows, 0.0).sum(axis=0), np.nan)
        mean = total / np.maximum(serving.sum(axis=0), 1)
        self.total, self.factor = total.tolist(), clean_factor(unit, water, celsius, mean, flow0).tolist()
        self.known, self.flows = known.tolist(), flows.tolist()

    def step(self, bank: Bank, i: int, minute: int, terminal: float, *, service: bool) -> Run | None:
        """The run that the drop is in, and None while one of them is washed; its throughput counts all of them."""
        washed = [name for name, washing in self.washing.items() if washing[i]]
        if washed:
            if bank.phase is not None:
                bank.end(terminal)
            bank.washed |= dict.fromkeys(washed, minute)
            return None
        if bank.phase is None:
            bank.phase = Run(began=minute, whole=bool(bank.washed))
        if service:
            phase, known = bank.phase, self.known[i]
            usual = phase.throughput / phase.minutes if phase.minutes else 0.0
            phase.serve(self.total[i] / 60.0 if known else usual, seen=known)
        return bank.phase

    def next(self, bank: Bank, i: int, alike: float) -> bool:
        """Whether this filter is washed next: the others in service were washed later; where they were washed with it,
        or none of them ever, they have more flow. ``alike`` times the least flow counts as the least.
        """
        flow, *others = (flows[i] for flows in self.flows)
        serving = [(bank.washed.get(name), its) for name, its in zip(self.others, others, strict=True) if its > 0.0]
        mine = bank.washed.get(self.me)
        if mine is not None and any(at is None or at < mine for at, _ in serving):
            return False
        return all(flow <= alike * its for at, its in serving if at == mine)
