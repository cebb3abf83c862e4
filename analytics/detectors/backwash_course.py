"""Washes that do not come, come too often or do not end (docs/detectors/backwash_course.md).

Judged on the washes themselves, whoever starts them; a wash that does not come is the controller's matter only.
"""

from __future__ import annotations

from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.episodes import Episode, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import Block, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

# Common practice, no source.
KEPT: Final = 12  # washes remembered
KNOWN: Final = 3  # washes from which their length and distance are known
LONG: Final = 3.0  # times the usual length, and
LEAST_LONG: Final = 60.0  # minutes: a wash that does not end
OFTEN: Final = 0.25  # of the usual distance
OFTEN_UNKNOWN: Final = 120.0  # minutes between begins, before the usual distance is known
IN_A_ROW: Final = 3  # washes at such distances
OVERDUE: Final = 30  # minutes at the terminal drop without a wash
LATE: Final = 2.0  # times the usual distance, and the drop above
LATE_DROP: Final = 0.7  # of the terminal drop
STEPS: Final = {
    "backwash-stuck": "Suggest calling the pad to see whether the wash valves have gone home, per site procedure.",
    "backwash-cycling": "Suggest checking what starts the washes, and whether they clean the bed, per site procedure.",
    "backwash-missed": "Suggest checking why the controller does not start the wash, per site procedure.",
}


class WashState(State):
    """``washes``: (began, ended) of those that are over; ``began`` of the one under way."""

    washes: tuple[tuple[int, int], ...] = ()
    began: int | None = None
    by: dict[str, Episode] = Field(default_factory=dict)


class BackwashCourse(NothingLearnt):
    """Kinds ``backwash-missed``, ``backwash-cycling`` and ``backwash-stuck`` of a media filter."""

    name: ClassVar[str] = "backwash_course"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"backwash-missed", "backwash-cycling", "backwash-stuck"})
    unit_type: ClassVar[str] = "media_filter"
    state: ClassVar[type[State]] = WashState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Its wash signal; its drop and a controller for washes that do not come."""
        if not unit.has("backwash"):
            return Coverage(frozenset(), missing=("backwash: whether it is being washed",))
        kinds = self.kinds if _may_miss(unit) else self.kinds - {"backwash-missed"}
        return Coverage(kinds, missing=() if unit.has("dp") else ("dp: a wash that does not come is not seen",))

    def start(self, unit: UnitView, skid: SkidView) -> WashState:  # noqa: ARG002
        """No wash seen."""
        return WashState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Each kind as a condition that lasts."""
        assert isinstance(state, WashState)
        look = _Look(unit, block, state)
        by, drafts = dict(state.by), list[Draft]()
        for kind, on, after in look.conditions():
            by[kind], said = watch(
                block.minutes, on, ~on & look.known, by.get(kind, Episode()), after=after, until=1,
                say=lambda i, onset, k=kind: look.draft(i, onset, k),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return WashState(washes=look.washes, began=look.began, by=by), ordered(drafts)


PLUGIN = BackwashCourse()


def _may_miss(unit: UnitView) -> bool:
    return unit.backwash_by == "controller" and unit.has("dp")


class _Look:
    """One block: for each minute how long the wash lasts, how often they came, and how long there was none."""

    def __init__(self, unit: UnitView, block: Block, state: WashState) -> None:
        self.unit, self.block = unit, block
        self.washing = block.washing.get(unit.id, np.zeros(len(block), dtype=np.bool_))
        state_channel = block.get(unit.id, "backwash")
        self.known = (
            np.isfinite(block.clean(unit.id, "backwash")) if state_channel else np.zeros(len(block), dtype=np.bool_)
        )
        self.washes, self.began = state.washes, state.began
        self.lasts, self.apart, self.since = (np.zeros(len(block)) for _ in range(3))
        self.usual_length, self.usual_apart = (np.full(len(block), np.nan) for _ in range(2))
        self._walk()
        self.drop = block.clean(unit.id, "dp")

    def _walk(self) -> None:
        edges = np.flatnonzero(self.washing != np.append(self.began is not None, self.washing[:-1])).tolist()
        minutes = self.block.minutes
        for i, stop in zip([0, *edges], [*edges, len(minutes)], strict=True):
            if i in edges:
                self._turn(int(minutes[i]), begins=bool(self.washing[i]))
            part = slice(i, stop)
            here = minutes[part].astype(np.float64)
            if self.began is not None:
                self.lasts[part] = here - self.began + 1
            elif self.washes:
                self.since[part] = here - self.washes[-1][1] + 1
            lengths, starts = [b - a for a, b in self.washes], [a for a, _ in self.washes]
            begun = [*starts, *([] if self.began is None else [self.began])]
            gaps = np.diff(begun).tolist()
            self.usual_length[part] = median(lengths) if len(lengths) >= KNOWN else np.nan
            usual = median(gaps[:-IN_A_ROW]) if len(gaps) >= KNOWN + IN_A_ROW else np.nan
            self.usual_apart[part] = usual
            lately = max(gaps[-IN_A_ROW:]) if len(gaps) >= IN_A_ROW else np.inf
            fresh = bool(begun) and (here - begun[-1]) <= lately
            self.apart[part] = np.where(fresh, lately, np.inf)

    def _turn(self, minute: int, *, begins: bool) -> None:
        if begins:
            self.began = minute
        elif self.began is not None:
            self.washes, self.began = (*self.washes, (self.began, minute))[-KEPT:], None

    def conditions(self) -> list[tuple[str, Mask, int]]:
        """(kind, minutes in which it holds, minutes that it must last)."""
        long = np.fmax(LEAST_LONG, LONG * np.nan_to_num(self.usual_length))
        often = np.where(np.isfinite(self.usual_apart), OFTEN * self.usual_apart, OFTEN_UNKNOWN)
        found = [
            ("backwash-stuck", self.washing & (self.lasts >= long), 1),
            ("backwash-cycling", self.apart <= often, 1),
        ]
        if _may_miss(self.unit):
            terminal = self.unit.limits["dp_terminal"]
            # One at a time: while another filter is washed this one waits, however long that takes.
            busy = np.logical_or.reduce([self.washing, *self.block.washing.values()])
            serves = self.block.running & ~busy & ~self.block.settling
            # Washes that came too often are no usual distance that the next one could miss.
            apart = np.where(self.usual_apart > OFTEN_UNKNOWN, self.usual_apart, np.nan)
            late = (self.since > LATE * apart) & (self.drop > LATE_DROP * terminal)
            found.append(("backwash-missed", serves & ((self.drop >= terminal) | late), OVERDUE))
        return found

    def draft(self, i: int, onset: int, kind: str) -> Draft:
        """What is said at position ``i``."""
        minute = int(self.block.minutes[i])
        lasts, apart, since = float(self.lasts[i]), float(self.apart[i]), float(self.since[i])
        numbers: list[Number] = []
        if kind == "backwash-stuck":
            onset = minute - int(lasts) + 1
            numbers = [plain("wash_lasts", lasts, "min")]
            ruled_out = RuledOut(what="a long wash", why=f"it has lasted {lasts:.0f} min, beyond three times its usual")
        elif kind == "backwash-cycling":
            numbers = [plain("longest_of_last_three_intervals", apart / 60.0, "h")]
            ruled_out = RuledOut(what="one extra wash", why=f"{IN_A_ROW + 1} washes began at such intervals")
        else:
            if since > 0:
                numbers = [plain("since_last_wash", since / 60.0, "h")]
            ruled_out = RuledOut(what="a stop", why="the filter is in service")
        for name, usual, scale, unit in (
            ("usual_wash", self.usual_length[i], 1.0, "min"), ("usual_interval", self.usual_apart[i], 60.0, "h"),
        ):  # fmt: skip
            if np.isfinite(usual):
                numbers.append(plain(name, float(usual) / scale, unit))
        if self.unit.has("dp") and np.isfinite(self.drop[i]) and kind == "backwash-missed":
            numbers.append(number(self.unit, "dp", "dp", float(self.drop[i]), difference=True))
            numbers.append(number(self.unit, "dp", "dp_limit", self.unit.limits["dp_terminal"], difference=True))
        return Draft(
            minute=minute,
            kind=kind,
            run_key=str(onset),
            onset=onset,
            severity="high" if kind == "backwash-stuck" else "medium",
            confidence=0.85,
            unit=self.unit.id,
            evidence=Evidence(numbers=tuple(numbers)),
            ruled_out=(ruled_out,),
            first_step=STEPS[kind],
        )
