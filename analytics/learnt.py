"""A quantity that has left its own learnt value: the frame that the detectors of slow equipment trouble share.

A detector gives columns of a block and a change (a logarithm or a share; 0 is as learnt) of the medians of a part of
the clock. The reference is the median of its first parts in service. What lasts beyond the limit is said; its onset is
where the change began; it ends when the change has come back.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import ClassVar, Final

import numpy as np

from analytics.bins import Part, Rows, parts
from analytics.changepoints import onset
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.evidence import digits, number
from analytics.frame import F64, Block, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut, Trace
from skidhand.model.kinds import Severity

ROBUST: Final = 1.4826  # MAD to standard deviation of normal noise: 1/Φ⁻¹(0.75)
Figures = tuple[float | None, ...]


class LearntState(State):
    """``rest``: minutes of the part under way; ``base``: what was learnt; ``kept``: (first minute, change)."""

    rest: Rows = ()
    learning: tuple[Figures, ...] = ()
    base: Figures | None = None
    noise: float = 0.0
    kept: tuple[tuple[int, float], ...] = ()
    beyond: int = 0
    inside: int = 0
    told: Draft | None = None


@dataclass(frozen=True, slots=True)
class Terms:
    """How a change is judged. Common practice without a source, unless a detector's page says otherwise.

    ``part`` minutes of which ``enough`` must be usable; ``learn`` parts make the reference; ``limit`` of the change in
    the direction of ``side`` (0: both), never below ``sigmas`` of the learnt scatter; ``last`` parts in a row.
    """

    limit: float
    side: int = 1
    part: int = 15
    enough: int = 8
    learn: int = 48
    last: int = 4
    back: float = 0.5
    sigmas: float = 4.0
    kept: int = 288


@dataclass(frozen=True, slots=True)
class Words:
    """What is said of a change: cause, and how sure and severe; None instead where something else explains it."""

    cause: str | None = None
    severity: Severity = "medium"
    confidence: float = 0.8
    numbers: tuple[Number, ...] = ()
    ruled_out: tuple[RuledOut, ...] = ()
    first_step: str = ""


class Learnt(ABC):
    """Base of such detectors; subclasses fill in the class variables and three methods."""

    name: ClassVar[str]
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]]
    unit_type: ClassVar[str]
    state: ClassVar[type[State]] = LearntState
    terms: ClassVar[Terms]
    learns: ClassVar[Learns]

    @abstractmethod
    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """As :class:`Detector` says."""

    @abstractmethod
    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
        """Figures (n,) each, NaN where unknown, and the minutes that may be used."""

    @abstractmethod
    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:
        """How far ``now`` is from what ``base`` leads one to expect; None where a figure lacks."""

    @abstractmethod
    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words | None:
        """What is said when the change has lasted."""

    def start(self, unit: UnitView, skid: SkidView) -> LearntState:  # noqa: ARG002
        """Nothing learnt."""
        return LearntState()

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours in service of the parts that make the reference."""
        assert isinstance(state, LearntState)
        if state.base is not None:
            return None
        return Progress(len(state.learning) * self.terms.part / 60, self.terms.learn * self.terms.part / 60)

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Judged at the end of each part."""
        assert isinstance(state, LearntState)
        s, drafts = state.model_copy(), list[Draft]()
        columns, usable = self.columns(unit, skid, block)
        s.rest, ended = parts(
            s.rest, block.minutes, columns, usable, size=self.terms.part, enough=self.terms.enough
        )  # fmt: skip
        for part in ended:
            drafts += self._end_part(unit, skid, s, part)
        return s, drafts

    def _end_part(self, unit: UnitView, skid: SkidView, s: LearntState, part: Part) -> list[Draft]:
        if s.base is None:
            s.learning = (*s.learning, part.middle)
            if len(s.learning) == self.terms.learn:
                base = medians(s.learning)
                found = [self.change(unit, skid, row, base) for row in s.learning]
                known = [x for x in found if x is not None]
                if known:  # otherwise the reference says nothing: learn on
                    s.base, s.noise = base, ROBUST * median(abs(x) for x in known)
                s.learning = ()
            return []
        change = self.change(unit, skid, part.middle, s.base)
        if change is None:
            return []
        s.kept = (*s.kept, (part.first, change))[-self.terms.kept :]
        return self._judge(unit, skid, s, s.base, part, change)

    def _judge(
        self, unit: UnitView, skid: SkidView, s: LearntState, base: Figures, part: Part, change: float
    ) -> list[Draft]:
        terms = self.terms
        limit = max(terms.limit, terms.sigmas * s.noise)
        size = abs(change) if terms.side == 0 else terms.side * change
        s.beyond = s.beyond + 1 if size > limit else 0
        s.inside = s.inside + 1 if size < terms.back * limit else 0
        if s.told is not None:
            if s.inside < terms.last:
                return []
            first = s.kept[-min(terms.last, len(s.kept))][0]
            over = replace(s.told, minute=part.end, ended=max(s.told.onset, first))
            s.told, s.beyond = None, 0
            return [over]
        if s.beyond < terms.last:
            return []
        words = self.words(unit, skid, part.middle, base, change)
        if words is None:
            return []
        values = np.array([x for _, x in s.kept])
        began = s.kept[onset(values, usual=0.0, limit=limit)][0]
        s.told, s.inside = self._draft(unit, s, words, part.end, began), 0
        return [s.told]

    def _draft(self, unit: UnitView, s: LearntState, words: Words, minute: int, began: int) -> Draft:
        shown = s.kept[-288:]
        change = Trace(
            name="change_from_learnt",
            unit="%",
            times=tuple(m * 60_000_000 for m, _ in shown),
            values=tuple(digits(100.0 * x) for _, x in shown),
        )
        (kind,) = self.kinds
        return Draft(
            minute=minute,
            kind=kind,
            run_key=str(began),
            onset=began,
            severity=words.severity,
            confidence=words.confidence,
            unit=unit.id,
            cause=words.cause,
            evidence=Evidence(numbers=words.numbers, traces=(change,)),
            ruled_out=words.ruled_out,
            first_step=words.first_step,
        )


def medians(rows: Sequence[Figures]) -> Figures:
    """Median of each figure over the rows in which it is known."""
    columns = [[x for x in column if x is not None] for column in zip(*rows, strict=True)]
    return tuple(median(column) if column else None for column in columns)


def pair(unit: UnitView, role: str, name: str, now: float | None, base: float | None) -> tuple[Number, ...]:
    """A reading and what it was learnt as, those of them that are known."""
    found = ((name, now), (f"{name}_learnt", base))
    return tuple(number(unit, role, label, value) for label, value in found if value is not None)


def flow_of(unit: UnitView, skid: SkidView, block: Block) -> F64:
    """The flow through a unit, m³/h: its own, else that of the nearest unit behind it, else before it; NaN without."""
    for name in (unit.id, *skid.after(unit.id), *skid.before(unit.id)):
        view = skid.by_id[name]
        for role in ("flow", "inlet_flow", "feed_flow"):
            if view.has(role):
                return block.clean(name, role)
    return np.full(len(block), np.nan)


def in_service(block: Block) -> Mask:
    """Minutes in which the skid runs and has settled."""
    return block.running & ~block.settling
