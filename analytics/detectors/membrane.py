"""A membrane that fouls: permeate at standard conditions falls (docs/detectors/membrane.md).

Flow is taken at the learnt driving pressure and 25 °C after ASTM D4516-19a: cold or salty feed and less pressure are
no fouling. The standard says itself that it need not hold for waste water; each stage stands for itself.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from analytics.detectors.base import Coverage, Learns
from analytics.evidence import plain
from analytics.frame import F64, Block, Mask
from analytics.learnt import Figures, Learnt, LearntState, Terms, Words, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import RuledOut
from skidhand.unit_types import reverse_osmosis as ro

NEEDED: Final = ("feed_flow", "feed_pressure", "permeate_flow", "temperature")
SCALING: Final = 1.15  # times the learnt salt passage: scale at the membrane passes salt: common practice, no source
CONDUCTIVITY: Final = (0.0, 8.2, 16.0, 30.2, 70.1, 126.0)
"""mS/cm of NaCl at 20 °C for the GRAMS below (CRC Handbook, 0.5 to 10 mass %; from memory)."""
GRAMS: Final = (0.0, 5.0, 10.05, 20.25, 51.7, 107.1)
STEP: Final = "Suggest planning a clean and checking the pretreatment, per site procedure."


def driving_of(unit: UnitView, skid: SkidView, block: Block) -> tuple[F64, F64, F64]:
    """Of each minute: net driving pressure and osmotic pressure of feed and brine (kPa), salt passage; NaN unknown."""
    feed, permeate = block.clean(unit.id, "feed_flow"), block.clean(unit.id, "permeate_flow")
    celsius = block.clean(unit.id, "temperature")
    recovery = np.clip(permeate / np.where(feed > 0, feed, np.nan), 0.01, 0.95)
    salt = salt_of(unit, skid, block)
    osmotic = ro.osmotic_pressure(np.minimum(ro.feed_brine_average(salt, recovery), 300_000.0), celsius)
    pressure = block.clean(unit.id, "feed_pressure")
    drop = (
        pressure - block.clean(unit.id, "concentrate_pressure") if unit.has("concentrate_pressure") else 0.0 * pressure
    )
    back = block.clean(unit.id, "permeate_pressure") if unit.has("permeate_pressure") else 0.0 * pressure
    fed = block.clean(unit.id, "feed_conductivity")
    passage = block.clean(unit.id, "permeate_conductivity") / np.where(fed > 0, fed, np.nan)
    return ro.net_driving_pressure(pressure, drop, back, osmotic, 0.0 * pressure), osmotic, passage


def salt_of(unit: UnitView, skid: SkidView, block: Block) -> F64:
    """mg/L of the feed: NaCl by its conductivity while that still tells, else as the fleet file says."""
    given = np.full(len(block), 1000.0 * (skid.tds or 0.0))
    conductivity = block.clean(unit.id, "feed_conductivity")
    told = 1000.0 * np.interp(conductivity, CONDUCTIVITY, GRAMS)
    return np.where(np.isfinite(conductivity) & (conductivity < CONDUCTIVITY[-1]), told, given)


class Membrane(Learnt):
    """Kind ``membrane-fouling`` of a reverse osmosis stage."""

    name: ClassVar[str] = "membrane"
    kinds: ClassVar[frozenset[str]] = frozenset({"membrane-fouling"})
    unit_type: ClassVar[str] = "reverse_osmosis"
    terms: ClassVar[Terms] = Terms(limit=0.12, part=60, enough=30, learn=24, last=6, kept=720)
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"membrane"}),
        roles=frozenset({"feed_flow", "feed_pressure", "permeate_flow", "temperature"}),
        keeps=frozenset(LearntState.model_fields),
        stays=frozenset({"membrane-fouling"}),
    )

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
        """Flow over driving pressure at 25 °C, driving pressure, flow, °C, salt passage."""
        driving, _, passage = driving_of(unit, skid, block)
        flow, celsius = block.clean(unit.id, "permeate_flow"), block.clean(unit.id, "temperature")
        warm = ro.temperature_correction(celsius, unit.params.get("tcf_k", ro.TCF_K))
        usable = in_service(block) & (flow > 0) & (driving > 0)
        return [flow / np.where(driving > 0, driving, np.nan) / warm, driving, flow, celsius, passage], usable

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Share of the normalised flow that is lost."""
        return None if now[0] is None or not base[0] else 1.0 - now[0] / base[0]

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words | None:  # noqa: ARG002
        """Fouling, or scaling where salt passes more too."""
        if change < unit.limits["flow_loss"]:
            return None
        assert now[0] is not None
        assert base[0] is not None
        assert base[1] is not None
        worse = now[4] is not None and base[4] is not None and now[4] > SCALING * base[4]
        numbers = (
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


PLUGIN = Membrane()
