"""A membrane that fouls: permeate at standard conditions falls (docs/detectors/membrane.md).

Flow is taken at the learnt driving pressure and 25 °C after ASTM D4516-19a: cold or salty feed and less pressure are
no fouling. The standard says itself that it need not hold for waste water; each stage stands for itself. What the
correction itself may be off by at other salt and temperature than learnt is taken off the loss.

The trade cleans at 10 to 15 % lost, so a loss that is on its way there is said before, with the time that is left.
"""

from __future__ import annotations

from dataclasses import replace
from math import copysign, exp, sqrt
from statistics import median
from typing import ClassVar, Final

import numpy as np
from scipy.special import stdtrit

from analytics.bins import Part
from analytics.detectors.base import Coverage, Draft, Learns, State
from analytics.drift_shape import hinge
from analytics.evidence import moment, plain
from analytics.frame import F64, Block, Flag, Mask
from analytics.learnt import Figures, Learnt, LearntState, Terms, Words, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Forecast, RuledOut
from skidhand.unit_types import reverse_osmosis as ro

NEEDED: Final = ("feed_flow", "feed_pressure", "permeate_flow", "temperature")
SCALING: Final = 1.15  # times the learnt salt passage: scale at the membrane passes salt: common practice, no source
CONDUCTIVITY: Final = (0.0, 8.2, 16.0, 30.2, 70.1, 126.0)
"""mS/cm of NaCl at 20 °C for the GRAMS below (CRC Handbook, 0.5 to 10 mass %; from memory)."""
GRAMS: Final = (0.0, 5.0, 10.05, 20.25, 51.7, 107.1)
SALT_DOUBT: Final = 0.08  # of a change of osmotic pressure: ASTM's law is 5 % steeper than Pitzer's, the rest is water
WARM_DOUBT: Final = 380.0  # kelvin between the Ks that are published (3020 and 2640)
EARLY: Final = 1 / 3  # of the loss that calls for a clean: from there its trend is looked at (common practice)
POINT, POINTS, LEAST_POINTS = 6, 12, 8  # hours in service of a point of the trend, points of it, least of them
WANDERS: Final = 2.0  # times the variance of points that do not know of each other: these do (seen, no source)
AHEAD: Final = 14.0  # days: time to plan a clean (common practice, no source)
LEVEL: Final = 24  # hours in service without a trend, after which its date is taken back (common practice, no source)
AGAIN: Final = 0.25  # of the time left by which a forecast must move to be said again
DAY: Final = 1440.0
MOST_SALT: Final = 300_000.0  # mg/L: NaCl does not dissolve much beyond
STEP: Final = "Suggest planning a clean and checking the pretreatment, per site procedure."


def driving_of(unit: UnitView, skid: SkidView, block: Block) -> tuple[F64, F64, F64]:
    """Of each minute: net driving pressure and osmotic pressure of feed and brine (kPa), salt passage; NaN unknown."""
    feed, permeate = block.clean(unit.id, "feed_flow"), block.clean(unit.id, "permeate_flow")
    celsius = block.clean(unit.id, "temperature")
    recovery = np.clip(permeate / np.where(feed > 0, feed, np.nan), 0.01, 0.95)
    osmotic = osmotic_of(salt_of(unit, skid, block), recovery, celsius)
    pressure = block.clean(unit.id, "feed_pressure")
    drop = (
        pressure - block.clean(unit.id, "concentrate_pressure") if unit.has("concentrate_pressure") else 0.0 * pressure
    )
    back = block.clean(unit.id, "permeate_pressure") if unit.has("permeate_pressure") else 0.0 * pressure
    fed = block.clean(unit.id, "feed_conductivity")
    passage = block.clean(unit.id, "permeate_conductivity") / np.where(fed > 0, fed, np.nan)
    return ro.net_driving_pressure(pressure, drop, back, osmotic, 0.0 * pressure), osmotic, passage


def salt_of(unit: UnitView, skid: SkidView, block: Block, *, beyond: bool = False) -> F64:
    """mg/L of the feed: NaCl by its conductivity at 20 °C, else as the fleet file says.

    Where there is an instrument and it says nothing, NaN: the file's number would look like other water. ``beyond``:
    a reading at the end of the instrument's range counts, as the least that it can be.
    """
    given = np.full(len(block), 1000.0 * (skid.tds or 0.0))
    if not unit.has("feed_conductivity"):
        return given
    warm = unit.params.get("conductivity_slope", ro.SLOPE) * (block.clean(unit.id, "temperature") - 20.0)
    conductivity = block.clean(unit.id, "feed_conductivity")
    channel = block.get(unit.id, "feed_conductivity")
    if beyond and channel is not None:
        conductivity = np.where(channel.flags == int(Flag.RANGE), channel.value, conductivity)
    conductivity = conductivity / (1.0 + warm)
    told = 1000.0 * np.interp(conductivity, CONDUCTIVITY, GRAMS)
    return np.where(conductivity > CONDUCTIVITY[-1], np.maximum(told, given), told)


def osmotic_of(salt: F64, recovery: F64, celsius: F64) -> F64:
    """kPa at the log-mean of feed and concentrate."""
    return ro.osmotic_pressure(np.minimum(ro.feed_brine_average(salt, recovery), MOST_SALT), celsius)


class MembraneState(LearntState):
    """``reached``: it was said that the loss is at the limit; a date for that is no news any more.

    ``inside`` counts hours without a trend since it was said.
    """

    reached: bool = False


class Membrane(Learnt):
    """Kind ``membrane-fouling`` of a reverse osmosis stage."""

    name: ClassVar[str] = "membrane"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"membrane-fouling"})
    unit_type: ClassVar[str] = "reverse_osmosis"
    state: ClassVar[type[State]] = MembraneState
    terms: ClassVar[Terms] = Terms(limit=0.12, part=60, enough=30, learn=24, last=6, kept=720)
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"membrane"}),
        roles=frozenset({"feed_flow", "feed_pressure", "permeate_flow", "temperature"}),
        keeps=frozenset(MembraneState.model_fields),
        stays=frozenset({"membrane-fouling"}),
    )

    def start(self, unit: UnitView, skid: SkidView) -> MembraneState:  # noqa: ARG002
        """Nothing learnt."""
        return MembraneState()

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Feed and permeate flow, feed pressure, temperature, and the salt."""
        missing = [role for role in NEEDED if not unit.has(role)]
        if skid.tds is None:
            missing.append("water.tds: the osmotic pressure")
        weaker = (
            () if unit.has("permeate_conductivity", "feed_conductivity") else ("conductivities: scaling is not told",)
        )
        return Coverage(self.kinds if not missing else frozenset(), missing=tuple(missing), weaker=weaker)

    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
        """Flow over driving pressure at 25 °C, driving pressure, flow, °C, salt passage, osmotic pressure."""
        driving, osmotic, passage = driving_of(unit, skid, block)
        flow, celsius = block.clean(unit.id, "permeate_flow"), block.clean(unit.id, "temperature")
        warm = ro.temperature_correction(celsius, unit.params.get("tcf_k", ro.TCF_K))
        usable = in_service(block) & (flow > 0) & (driving > 0)
        return [flow / np.where(driving > 0, driving, np.nan) / warm, driving, flow, celsius, passage, osmotic], usable

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Share of the normalised flow that is lost (below 0: gained), less what the correction may be off by."""
        flow, driving, _, celsius, _, osmotic = now
        if flow is None or not base[0] or None in (driving, celsius, osmotic, base[3], base[5]):
            return None
        assert driving is not None and celsius is not None and osmotic is not None  # noqa: PT018 - of one test above
        assert base[3] is not None and base[5] is not None  # noqa: PT018
        doubt = SALT_DOUBT * abs(osmotic - base[5]) / driving
        if "tcf_k" not in unit.params:
            doubt += abs(exp(WARM_DOUBT * (1.0 / (base[3] + 273.15) - 1.0 / (celsius + 273.15))) - 1.0)
        lost = 1.0 - flow / base[0]
        return copysign(max(0.0, abs(lost) - doubt), lost)

    def _judge(
        self, unit: UnitView, skid: SkidView, s: LearntState, base: Figures, part: Part, change: float
    ) -> list[Draft]:
        assert isinstance(s, MembraneState)
        limit = max(unit.limits["flow_loss"], self.terms.sigmas * s.noise)
        early = max(EARLY * unit.limits["flow_loss"], self.terms.sigmas * s.noise)
        lost = median(x for _, x in s.kept[-self.terms.last :])
        if s.told is not None and lost < 0.5 * max(early, _most(s)):
            first = s.kept[-min(self.terms.last, len(s.kept))][0]
            over = replace(s.told, minute=part.end, ended=max(s.told.onset, first), forecast=None)
            s.told, s.beyond, s.reached, s.kept = None, 0, False, s.kept[-self.terms.last :]
            return [over]
        at_limit = lost > limit
        due = None if lost < early or at_limit else reach(s.kept, limit)
        if due is not None and due[0] - part.end >= AHEAD * DAY:
            due = None
        s.beyond = s.beyond + 1 if change > limit or (due is not None and change > early) else 0
        words = self.words(unit, skid, part.middle, base, lost)
        if s.told is None:
            news, s.inside = s.beyond >= self.terms.last, 0
        else:
            worse = words.severity == "high" and s.told.severity != "high"
            s.inside = s.inside + 1 if due is None else 0
            level = s.told.forecast is not None and s.inside >= LEVEL  # what was told is no trend any more
            moved = level if due is None else _moved(s.told.forecast, due, part.end)
            news = worse or (not s.reached and (at_limit or moved))
        if not news:
            return []
        began = s.told.onset if s.told else s.kept[hinge(np.array([x for _, x in s.kept]))][0]
        draft = self._draft(unit, s, words, part.end, began)
        s.reached = s.reached or at_limit
        s.told = draft if due is None or s.reached else replace(draft, forecast=_forecast(due))
        return [s.told]

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words:  # noqa: ARG002
        """Fouling, or scaling where salt passes more too."""
        assert now[0] is not None
        assert base[0] is not None
        assert base[1] is not None
        worse = now[4] is not None and base[4] is not None and now[4] > SCALING * base[4] > 0.0
        numbers = (
            plain("normalised_flow_lost", 100.0 * change, "%"),
            plain("normalised_flow", now[0] * base[1], "m3/h"),
            plain("normalised_flow_learnt", base[0] * base[1], "m3/h"),
            *pair(unit, "permeate_flow", "permeate_flow", now[2], base[2]),
            plain("driving_pressure", now[1] or 0.0, "kPa"),
            plain("driving_pressure_learnt", base[1], "kPa"),
            *pair(unit, "temperature", "temperature", now[3], base[3]),
        )
        return Words(
            cause="scaling" if worse else "fouling",
            severity="high" if change > 2.0 * unit.limits["flow_loss"] else "medium",
            numbers=numbers,
            ruled_out=(
                RuledOut(what="cold feed or less pressure", why="flow is taken at one driving pressure and 25 °C"),
            ),
            first_step=STEP,
        )


def reach(kept: tuple[tuple[int, float], ...], limit: float) -> tuple[float, float, float] | None:
    """(likely, least, most) minute in which the loss of ``kept`` reaches ``limit``, an 80 % interval of its trend.

    A straight line by least squares through medians of 6 h, for what a wash or a cold hour leaves lasts hours; where
    it crosses the limit by Fieller (J. R. Stat. Soc. B 16, 1954, 175). None where it is not sure to rise.
    """
    recent = kept[-POINT * POINTS :]
    if len(recent) < POINT * LEAST_POINTS:
        return None
    points = np.median(np.array(recent[len(recent) % POINT :]).reshape(-1, POINT, 2), axis=1)
    n, end = len(points), kept[-1][0]
    x, y = points[:, 0] - points[:, 0].mean(), points[:, 1] - points[:, 1].mean()
    spread = float(np.sum(x * x))
    slope = float(np.sum(x * y)) / spread
    doubt = float(stdtrit(n - 2, 0.9)) ** 2 * WANDERS * float(np.sum((y - slope * x) ** 2)) / (n - 2)
    sure = slope**2 - doubt / spread
    if slope <= 0.0 or sure <= 0.0:
        return None
    far, at = limit - float(points[:, 1].mean()), float(points[:, 0].mean())
    root = sqrt(max(0.0, (slope * far) ** 2 - sure * (far**2 - doubt / n)))
    ends = far / slope, (slope * far - root) / sure, (slope * far + root) / sure
    likely, low, high = (max(float(end), at + each) for each in ends)
    return likely, low, high


def _most(s: LearntState) -> float:
    """The most that was lost since it was said, as a median."""
    assert s.told is not None
    since = [x for minute, x in s.kept if minute >= s.told.minute - 60 * POINT]
    return max((median(since[i : i + POINT]) for i in range(0, len(since), POINT)), default=0.0)


def _moved(told: Forecast | None, due: tuple[float, float, float], now: int) -> bool:
    """The clean is due at another time than was told, or was told without one."""
    if told is None:
        return True
    before = (told.when - moment(now)).total_seconds() / 60.0
    left = due[0] - now
    return abs(left - before) > max(DAY, AGAIN * left)


def _forecast(due: tuple[float, float, float]) -> Forecast:
    when, low, high = (moment(minute) for minute in due)
    return Forecast(what="cleaning", when=when, low=low, high=high)


PLUGIN = Membrane()
