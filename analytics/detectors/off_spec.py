"""Treated water against its specification, on the specification's own basis (docs/detectors/off_spec.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import Block, Mask
from analytics.spec_basis import Basis, Means, Slots, basis_of, means
from skidhand.fleet import SkidView, UnitView
from skidhand.fleet.model import SpecLimit
from skidhand.model.finding import Evidence, RuledOut
from skidhand.units import UnitError, convert

NEAR: Final = 0.9  # of the limit, from which a mean nears it: common practice, no source
CLEAR: Final = 0.85  # of the limit, below which it does not any more
RISK_AFTER: Final = 2  # further slots for which it must go on
STEP: Final = "Suggest a sample at the sample point and a look at the units upstream, per site procedure."


class Item(BaseModel):
    """Memory of one line of the specification."""

    model_config = ConfigDict(extra="forbid")

    slots: Slots = ()
    off: Episode = Episode()
    risk: Episode = Episode()


class SpecState(State):
    """One memory for each line."""

    items: dict[str, Item] = Field(default_factory=dict)


class OffSpec(NothingLearnt):
    """Kinds ``off-spec`` and ``spec-at-risk`` of the outlet."""

    name: ClassVar[str] = "off_spec"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"off-spec", "spec-at-risk"})
    unit_type: ClassVar[str] = "outlet"
    state: ClassVar[type[State]] = SpecState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """A line of the specification that an instrument of the outlet measures."""
        lines = lines_of(unit, skid)
        missing = tuple(
            f"{name}: in the specification, but not measured at the outlet" for name in skid.spec if name not in lines
        )
        if not lines:
            return Coverage(frozenset(), missing=missing or ("spec: nothing to compare with",))
        grabs = [name for name, (_, basis) in lines.items() if not basis.window]
        kinds = self.kinds if len(grabs) < len(lines) else frozenset({"spec-at-risk"})
        weaker = tuple(f"{name}: on grab samples, so the analyser tells of risk only" for name in grabs)
        return Coverage(kinds, missing=missing, weaker=weaker)

    def start(self, unit: UnitView, skid: SkidView) -> SpecState:  # noqa: ARG002
        """Nothing read."""
        return SpecState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Judged at the end of each slot of a line's own window."""
        assert isinstance(state, SpecState)
        items, drafts = dict(state.items), list[Draft]()
        leaves = block.running & ~block.settling & ~(block.clean(unit.id, "divert") > 0)
        for name, (limit, basis) in lines_of(unit, skid).items():
            values = block.clean(unit.id, name)
            item = items.get(name, Item())
            slots, at = means(item.slots, block.minutes, values, leaves & np.isfinite(values), basis)
            line = _Line(unit, name, skid.spec[name], limit, basis, block, at)
            off, said = line.off(item.off)
            risk, more = line.risk(item.risk)
            items[name] = Item(slots=slots, off=off, risk=risk)
            drafts += said + more
        return SpecState(items=items), ordered(drafts)


PLUGIN = OffSpec()


def lines_of(unit: UnitView, skid: SkidView) -> dict[str, tuple[float, Basis]]:
    """Lines of the specification that the outlet measures: limit in the role's unit, and basis."""
    found = {}
    for name, line in skid.spec.items():
        if name not in unit.tags or unit.type.roles[name].state:
            continue
        try:
            found[name] = convert(line.limit, line.unit, unit.type.roles[name].unit), basis_of(line.basis)
        except UnitError:
            continue  # the check of the fleet file says so
    return found


class _Line:
    """One line of the specification over one block."""

    def __init__(
        self, unit: UnitView, name: str, line: SpecLimit, limit: float, basis: Basis, block: Block, at: Means
    ) -> None:
        self.unit, self.name, self.line, self.limit, self.basis, self.at = unit, name, line, limit, basis, at
        self.minutes = block.minutes
        self.place = at.minutes - block.minutes[0]
        self.slot_of = dict(zip(self.place.tolist(), range(len(self.place)), strict=True))
        self.beyond = at.window > limit if basis.window else np.zeros(len(at.minutes), dtype=np.bool_)

    def spread(self, where: Mask) -> Mask:
        """A mask over slots as one over minutes, true at the slots' last minutes."""
        mask = np.zeros(len(self.minutes), dtype=np.bool_)
        mask[self.place] = where
        return mask

    def off(self, episode: Episode) -> tuple[Episode, list[Draft]]:
        """The window's mean is over, and comes back."""
        within = (self.at.window <= self.limit) & bool(self.basis.window)
        on, off = self.spread(self.beyond), self.spread(within)
        return watch(self.minutes, on, off, episode, after=1, until=1, say=lambda i, onset: self.draft(i, onset, True))

    def risk(self, episode: Episode) -> tuple[Episode, list[Draft]]:
        """The mean nears the limit, or what is read just now would break it if it went on."""
        window, recent = (
            (self.at.window, self.at.recent) if self.basis.window else (np.nan * self.at.window, self.at.recent)
        )
        near = ~self.beyond & ((window > NEAR * self.limit) | (recent > self.limit))
        clear = self.beyond | ((recent < NEAR * self.limit) & ~(window >= CLEAR * self.limit))
        after = 1 + RISK_AFTER * self.basis.slot if not self.basis.daily else 1
        return watch(
            self.minutes, self.spread(near), self.spread(clear), episode, after=after, until=after,
            say=lambda i, onset: self.draft(i, onset, False),
        )  # fmt: skip

    def draft(self, i: int, onset: int, over: bool) -> Draft:
        """What is said at the end of the slot at position ``i``."""
        k = self.slot_of[i]
        window, recent, read = (float(figure[k]) for figure in (self.at.window, self.at.recent, self.at.read))
        numbers = [number(self.unit, self.name, f"{self.name}_limit", self.limit)]
        if np.isfinite(window) and self.basis.window:
            numbers.insert(0, number(self.unit, self.name, f"{self.name}_mean", window))
            numbers.append(plain("window", self.basis.window / 60.0, "h"))
            numbers.append(plain("days_read", read, "d") if self.basis.daily else plain("read", read / 60.0, "h"))
        if np.isfinite(recent):
            numbers.append(number(self.unit, self.name, f"{self.name}_now", recent))
        worst = max(x for x in (window, recent) if np.isfinite(x)) / self.limit
        basis = "grab samples: the laboratory decides" if not self.basis.window else f"the mean over {self.line.basis}"
        return Draft(
            minute=int(self.minutes[i]),
            kind="off-spec" if over else "spec-at-risk",
            run_key=f"{self.name} {onset}",
            onset=onset,
            severity="high" if over and worst > 1.5 else "medium" if over or worst > 1.0 else "low",
            confidence=0.9 if over else 0.7,
            unit=self.unit.id,
            evidence=Evidence(numbers=tuple(numbers)),
            ruled_out=(
                RuledOut(what="another basis", why=f"{self.name} is judged on {basis}"),
                RuledOut(what="a stop, a start or water sent back", why="such minutes are left out"),
            ),
            first_step=STEP,
        )
