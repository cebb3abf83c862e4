"""One block of a media filter minute by minute: its runs, its clean bed, and when its next wash is due.

A minute is judged when the skid runs, the filter is neither washed nor settling, flow is above 30 % of reference and
drop and flow are usable. Drops are compared at reference conditions.
"""

from __future__ import annotations

from dataclasses import replace
from math import isfinite
from statistics import median
from typing import Final

import numpy as np

from analytics.conditions import forward, water_at
from analytics.detectors.base import Draft, State
from analytics.filter_bank import ALIKE, Bank, BankMinutes, beside
from analytics.filter_drafts import Told, dp_rise, incomplete_backwash, slug_came, slug_passes
from analytics.filter_runs import Collapse, Ends, Run, by_clock, clean_factor, drop_of, oil_before, with_end
from analytics.forecast import Left, Library, learn, left, sooner
from analytics.frame import Block
from analytics.past_runs import PastRun
from analytics.wash_quality import CLEAN_AGAIN, Washes
from skidhand.fleet import SkidView, UnitView

# Common practice, no source, unless said otherwise.
LOW_FLOW: Final = 0.30  # share of reference flow below which a drop says little
STEADY: Final = 0.7  # share of a minute's flow below which none of it may fall: a wash begins within a minute
CLEAN_SHARE: Final = 0.05  # of the usual run: its first judged minutes are clean
CLEAN_MINUTES: Final = (5, 30)
FOULED: Final = 1.3  # index below which a high drop is not from deposit
ALONE: Final = 0.5  # share of the terminal drop below which nothing is said without a clean drop or an earlier run
SOON: Final = 0.85  # share of the terminal drop from which cold water or a flow step is no comfort any more
NEAR: Final = 0.95  # share of the terminal drop that counts as there, whatever the forecast
FIRST: Final = 0.70  # share of the terminal drop that is near enough of filters side by side, while runs are few
FEW_ENDS: Final = 2  # earlier runs, below which they are
YOUNG: Final = 60.0  # minutes since the last wash of filters side by side, before which a slope is noise
CLOCK_FOULED: Final = 2.0  # index from which a wash by the clock is worth a word
SOONER: Final = 0.5  # of the time that earlier runs leave: a slope that ends the run sooner than that is believed
EARLY: Final = 0.25  # share of the usual run: nobody is called sooner before its end than this
TEACHES: Final = 0.3  # share of the terminal drop that a run must have reached to teach anything
AT_USUAL: Final = 1.25  # times the warning time within which it must also be due under usual conditions
TWICE: Final = 2  # looks in a row before anything is said
NEW_CADENCE: Final = 2  # minutes between looks while no run is known


class FilterState(State):
    """Memory of one filter. ``pending`` is a first run of which it is not yet known whether it began clean."""

    run: Run | None = None
    washing: bool = False
    pending: PastRun | None = None
    library: Library = Library()
    collapse: Collapse = Collapse()
    flow0: float | None = None
    celsius: float | None = None
    washes: Washes = Washes()
    near: int = 0
    told: Told | None = None
    ends: Ends = ()
    bank: Bank = Bank()


class FilterWalk:
    """One block's walk; works on its own copy of the state, whose other parts are never changed in place."""

    def __init__(self, unit: UnitView, skid: SkidView, block: Block, state: FilterState) -> None:
        self.unit, self.block, self.state = unit, block, state
        if state.run is not None:
            state.run = state.run.copy()
        state.bank = state.bank.copied()
        self.terminal = unit.limits["dp_terminal"]
        self.beside = beside(unit, skid)
        self.water = water_at(unit, skid)
        self.drop = drop_of(unit, block)
        self.flow = block.clean(unit.id, "flow") if unit.has("flow") else np.full(len(block), 1.0)
        self.oil = oil_before(unit, skid, block)
        self.drafts: list[Draft] = []

    def go(self) -> tuple[FilterState, list[Draft]]:
        """The state after the block, and what there was to say."""
        block, s = self.block, self.state
        washing = block.washing.get(self.unit.id, np.zeros(len(block), dtype=np.bool_))
        self.seen = np.isfinite(self.flow) & np.isfinite(self.drop)
        judged = self.seen & block.running & ~block.settling & ~washing
        if self.unit.has("flow"):
            if s.flow0 is None and (first := np.flatnonzero(judged & (self.flow > 0))).size:
                s.flow0 = float(self.flow[first[0]])
            judged &= self.flow >= LOW_FLOW * (s.flow0 or np.inf)
        if (channel := block.get(self.unit.id, "flow")) is not None:
            judged &= channel.low >= STEADY * self.flow
        celsius = forward(self.water.celsius(block), s.celsius)
        self.bank = BankMinutes(self.unit, self.beside, block, self.water, celsius, s.flow0) if self.beside else None
        flow = self.flow if self.unit.has("flow") else None
        factor = clean_factor(self.unit, self.water, celsius, flow, s.flow0)
        self.lists = [a.tolist() for a in (self.drop, self.flow, factor, self.oil, self.seen, judged)]
        service, washes = block.running.tolist(), washing.tolist()
        self.celsius = s.celsius
        for i, (minute, warm) in enumerate(zip(block.minutes.tolist(), celsius.tolist(), strict=True)):
            self.celsius = warm if isfinite(warm) else None
            if self.bank is not None:
                self.bank.step(s.bank, i, minute, self.terminal, service=service[i])
            if washes[i]:
                if not s.washing:
                    self.end_run(minute)
                    s.washing = True
                continue
            if s.washing or s.run is None:
                s.run = Run(began=minute, whole=s.washing)
                s.washing = False
            if service[i]:
                self.serve(minute, i, s.run)
        s.celsius = self.celsius
        return s, self.drafts

    def serve(self, minute: int, i: int, run: Run) -> None:
        """One minute in service."""
        drop, flow, factor, oil, seen, judged = (figures[i] for figures in self.lists)
        usual = run.throughput / run.minutes if run.minutes else 0.0
        run.serve(max(flow, 0.0) / 60.0 if isfinite(flow) else usual, seen=seen)
        if not judged:
            return
        if not self.unit.has("backwash") and self.collapsed(minute, drop / factor):
            return
        if self.state.collapse.low:
            return  # perhaps a wash: wait for its confirmation
        run.show(minute, drop, factor, oil if isfinite(oil) else None)
        if self.bank is not None and (phase := self.state.bank.phase) is not None and isfinite(self.bank.factor[i]):
            phase.show(minute, drop, self.bank.factor[i], oil if isfinite(oil) else None)
        self.learn_clean(minute, run, drop / factor)
        if minute % self.cadence == 0:
            self.look(minute, i)

    def collapsed(self, minute: int, normal: float) -> bool:
        """A wash that no signal told of, seen in its third clean minute."""
        s = self.state
        s.collapse, washed = s.collapse.look(normal)
        if washed:
            self.end_run(minute)
            s.run = Run(began=minute, whole=True)
        return washed

    @property
    def usual_hours(self) -> float | None:
        """Median length of earlier runs."""
        if self.bank is None:
            return self.state.library.usual_hours
        return median(hours for hours, _ in self.state.ends) if self.state.ends else None

    @property
    def library(self) -> Library:
        """What the forecast is learnt from: runs, or of filters side by side how their drop climbs between washes."""
        return self.state.library if self.bank is None else self.state.bank.library

    @property
    def course(self) -> Run | None:
        """What the drop is in: the run, or of filters side by side the time since the last wash of any of them."""
        return self.state.run if self.bank is None else self.state.bank.phase

    @property
    def settled(self) -> float:
        """Minutes from which on the drop of filters side by side foretells anything: a wash leaves it high."""
        if self.bank is None:
            return 0.0
        return max(YOUNG, EARLY * 60.0 * (self.library.usual_hours or 0.0))

    @property
    def cadence(self) -> int:
        """Minutes between looks: a hundredth of the usual run, 1 to 10."""
        return NEW_CADENCE if self.usual_hours is None else int(min(max(self.usual_hours * 0.6, 1), 10))

    def end_run(self, minute: int) -> None:
        """A wash begins (or was just seen): close what was said, learn from the run."""
        s = self.state
        if s.run is not None and s.told is not None and s.run.bins:
            last = self.draft(minute, s.told, None)
            self.drafts.append(replace(last, ended=minute))
        done = None if s.run is None else s.run.finished()
        if done is not None and max(done.drops) >= TEACHES * self.terminal:
            if s.run is not None and s.run.whole:
                s.ends = with_end(s.ends, (minute - s.run.began) / 60.0, done.drops[-1] / self.terminal)
                self.learn(done)
            else:
                s.pending = done  # whether it was seen from its beginning shows at the next clean drop
        s.run, s.told, s.near, s.collapse = None, None, 0, Collapse()

    def learn(self, done: PastRun) -> None:
        """One more run of this filter is known from its beginning to its end."""
        if self.bank is None:
            self.state.library = learn(self.library, done, self.library.level(self.terminal))

    def learn_clean(self, minute: int, run: Run, normal: float) -> None:
        """The first judged minutes after a wash are the clean bed."""
        s = self.state
        if not run.whole or normal <= 0.0 or (s.washes.cleans and s.washes.cleans[-1][0] == run.began):
            return  # a bed in service that drops nothing is not clean: its gauge is not read
        low, high = CLEAN_MINUTES
        wanted = int(min(max(CLEAN_SHARE * 60.0 * self.usual_hours, low), high)) if self.usual_hours else 2 * low
        run.clean = (*run.clean, normal)
        if len(run.clean) < wanted:
            return
        clean = median(run.clean)
        if s.pending is not None:
            if s.pending.drops[0] / s.pending.factors[0] <= CLEAN_AGAIN**2 * clean:
                self.learn(s.pending)
            s.pending = None
        before, s.washes = s.washes, s.washes.after(run.began, clean)
        if before.since is None and s.washes.since is not None:
            self.drafts.append(incomplete_backwash(self.unit, s.washes, minute, None))
        elif before.since is not None and s.washes.since is None:
            self.drafts.append(incomplete_backwash(self.unit, before, minute, minute))

    def look(self, minute: int, i: int) -> None:
        """Is a backwash due within the warning time?"""
        s, course = self.state, self.course
        if s.run is None or course is None or min(len(s.run.bins), len(course.bins)) < 3:
            return
        drop, index = self.now()
        level = self.library.level(self.terminal)
        few = self.bank is not None and len(s.ends) < FEW_ENDS
        unknown = index is None or not self.library.runs
        if s.told is None and drop < ALONE * level and (unknown or (index is not None and index < FOULED)):
            s.near = 0
            return  # nothing would be said, whatever the forecast
        clock = self.clock(minute) if index is not None and index >= CLOCK_FOULED else None
        mine = self.bank is None or self.bank.next(s.bank, i, ALIKE if drop >= NEAR * level else 1.0)
        tells = mine and (drop >= NEAR * level or course.minutes >= self.settled)
        estimate = sooner(self.estimate(drop, level) if tells else None, clock)
        due = estimate is not None and estimate.median <= self.warning()
        timed = clock is not None and clock.median <= self.warning()
        near = due or (mine and drop >= (FIRST if few else NEAR) * level)
        alone = estimate is None or estimate.runs == 0 or index is None
        deposit = drop >= ALONE * level if alone else (index is None or index >= FOULED)
        if near and s.told is None and drop < SOON * level and not timed and not few:
            near = self.from_deposit(level)
        s.near = s.near + 1 if near and deposit else 0
        over = mine and drop >= self.terminal
        if not over and (estimate is None if s.told else s.near < TWICE):
            return
        if s.told is None and s.near < TWICE and not deposit:
            return
        told = Told(
            due=minute + 60.0 * (estimate.median if estimate else 0.0),
            severity="high" if over or (s.told is not None and s.told.severity == "high") else "medium",
            cause="oil-slug" if slug_came(s.run) else "fouling",
        )
        if s.told is None or s.told.differs(told, minute, self.warning()):
            s.told = told
            self.drafts.append(self.draft(minute, told, estimate))

    def clock(self, minute: int) -> Left | None:
        """Hours left where the filter is washed by the clock, by its last runs; None where it is not."""
        run = self.state.run
        usual = by_clock(self.state.ends, self.library.level(self.terminal) / self.terminal)
        if run is None or not run.whole or usual is None:
            return None
        gone = (minute - run.began) / 60.0
        likely, apart = usual
        return None if gone > likely + apart else Left(
            max(0.0, likely - gone), max(0.0, likely - apart - gone), likely + apart - gone, len(self.state.ends)
        )  # fmt: skip

    def estimate(self, here: float, level: float) -> Left | None:
        """Hours left by the earlier runs; by the present slope where a high drop climbs faster than they ever did."""
        course = self.course
        assert course is not None
        if self.bank is not None and not self.library.runs:
            return None  # how the drop of all of them climbs is not known yet
        seen = course.seen(course.recent_flow(measured=self.unit.has("flow")))
        found = left(self.library, seen, level)
        lasts = self.bank is None and ALONE * level <= here < level and not slug_passes(course)
        slope = course.at_slope(level / course.bins.mean("factor", -1)) if lasts else None
        if slope is None or (found is not None and slope >= max(found.low, SOONER * found.median)):
            return found
        spread = max(slope, 0.0)
        return Left(spread, spread / 2.0, spread * 2.0, 0 if found is None else found.runs)

    def from_deposit(self, level: float) -> bool:
        """The run would near its end under usual flow and viscosity too: a flow step or cold water calls nobody."""
        course = self.course
        assert course is not None
        seen = course.seen(course.recent_flow(measured=self.unit.has("flow")))
        usual = self.library.usual_conditions
        if seen.present <= usual:
            return True
        there = left(self.library, replace(seen, conditions=usual), level)
        return there is not None and there.median <= AT_USUAL * self.warning()

    def draft(self, minute: int, told: Told, estimate: Left | None) -> Draft:
        """What there is to say of the present run."""
        s = self.state
        assert s.run is not None
        drop, index = self.now()
        return dp_rise(
            self.unit, s.run, minute, told, estimate,
            drop=drop, index=index, flow=s.run.recent_flow(measured=self.unit.has("flow")),
            viscosity=self.water.viscosity_ratio(self.celsius),
        )  # fmt: skip

    def warning(self) -> float:
        """Hours before the end of a run at which it is spoken of; short runs are not spoken of all the time."""
        run = self.state.run
        assert run is not None
        usual = self.usual_hours or run.minutes / 60.0
        return min(self.unit.limits["prompt_hours"], EARLY * usual)

    def now(self) -> tuple[float, float | None]:
        """Drop of the latest minutes (kPa) and fouling index, None where the clean bed is not known or shows none."""
        s, course = self.state, self.course
        assert s.run is not None
        bins = s.run.bins
        drop = (bins if course is None or not len(course.bins) else course.bins).mean("drop", -1)
        normal = bins.mean("drop", -1) / bins.mean("factor", -1)
        clean = s.washes.baseline
        return drop, (normal / clean if clean is not None and clean > 0.0 else None)
