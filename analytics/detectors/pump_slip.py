"""A pump that delivers less than it sweeps (docs/detectors/pump_slip.md).

Volumetric efficiency is Q / (Vd N), and slip its complement. Laminar slip goes as ΔP/µ (Moineau geometry), so that hot,
thin water or a higher discharge pressure slips more without any wear: what is left after both is the stator.
"""

from __future__ import annotations

from math import log
from typing import ClassVar, Final

import numpy as np

from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Learns
from analytics.evidence import plain
from analytics.frame import F64, Block, Mask
from analytics.learnt import Figures, Learnt, LearntState, Terms, Words, flow_of, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import RuledOut
from skidhand.unit_types.feed_pump import volumetric_efficiency

LIMIT: Final = 0.04  # of the flow a turn, which hourly medians know within 0.3 %: common practice, no source
MUCH: Final = 0.18  # of it: likewise
MOST: Final = 0.6  # of the limit that heat and pressure must leave unexplained to call it wear: likewise
HOT: Final = 0.9  # of the learnt viscosity, below which heat is the reason: likewise
SLIP: Final = 0.03  # least slip of a new pump that pressure and heat are reckoned on: likewise
STEPS: Final = {
    "stator-wear": "Suggest planning a new stator, per site procedure.",
    "hot-feed": "Suggest checking the feed's temperature against what the stator stands, per site procedure.",
}


class PumpSlip(Learnt):
    """Kind ``pump-slip`` of a feed pump."""

    name: ClassVar[str] = "pump_slip"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"pump-slip"})
    unit_type: ClassVar[str] = "feed_pump"
    terms: ClassVar[Terms] = Terms(limit=LIMIT, part=60, enough=30, learn=24, last=6, kept=720)
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"stator"}),
        roles=frozenset({"speed", "flow", "suction_pressure", "discharge_pressure"}),
        keeps=frozenset(LearntState.model_fields),
        stays=frozenset({"pump-slip"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Speed and a flow."""
        missing = [] if unit.has("speed") else ["speed"]
        if not any(
            skid.by_id[name].has(role) for name in (unit.id, *skid.after(unit.id)) for role in ("flow", "inlet_flow")
        ):
            missing.append("flow, of the pump or behind it")
        if missing:
            return Coverage(frozenset(), missing=tuple(missing))
        weaker = [] if unit.has("discharge_pressure") else ["discharge_pressure: slip by pressure is taken for wear"]
        if water_at(unit, skid).tag is None:
            weaker.append("temperature: slip by hot feed is taken for wear")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
        """Flow over speed, speed, pressure across the pump, viscosity ratio."""
        flow, speed = flow_of(unit, skid, block), block.clean(unit.id, "speed")
        suction = block.clean(unit.id, "suction_pressure") if unit.has("suction_pressure") else 0.0
        across = block.clean(unit.id, "discharge_pressure") - suction
        water = water_at(unit, skid)
        usable = in_service(block) & (speed > 0) & (flow > 0)
        per_turn = np.where(usable, flow / np.where(speed > 0, speed, np.nan), np.nan)
        return [per_turn, speed, across, water.viscosity_ratios(water.celsius(block))], usable

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Fall of flow per turn (logarithm), whatever explains it."""
        if now[0] is None or base[0] is None or min(now[0], base[0]) <= 0:
            return None
        return log(base[0] / now[0])

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words | None:  # noqa: ARG002
        """The stator, for what neither pressure nor viscosity explains; hot feed, where viscosity explains most."""
        assert now[0] is not None
        assert base[0] is not None
        assert now[1] is not None
        explained = _explained(unit, now, base)
        worn = change - explained > MOST * LIMIT
        if not worn and (now[3] or 1.0) > HOT * (base[3] or 1.0):
            return None  # a higher pressure explains it
        cause = "stator-wear" if worn else "hot-feed"
        numbers = [
            plain("flow_per_turn", 1000.0 * now[0] / 60.0, "L"),
            plain("flow_per_turn_learnt", 1000.0 * base[0] / 60.0, "L"),
            *pair(unit, "speed", "speed", now[1], base[1]),
            plain("fall", 100.0 * change, "%"),
            plain("fall_unexplained", 100.0 * (change - explained), "%"),
        ]
        if "displacement" in unit.params:
            numbers.append(
                plain("efficiency", volumetric_efficiency(now[0] * now[1], unit.params["displacement"], now[1]))
            )
        if unit.has("discharge_pressure"):
            numbers += pair(unit, "discharge_pressure", "pressure_across", now[2], base[2])
        viscosity = 100.0 * ((now[3] or 1.0) / (base[3] or 1.0) - 1.0)
        why = f"viscosity is {viscosity:+.0f} % of what was learnt; with pressure it explains {100 * explained:+.1f} %"
        return Words(
            cause=cause,
            severity="high" if change > MUCH else "medium",
            numbers=tuple(numbers),
            ruled_out=(
                RuledOut(what="hot feed" if worn else "a worn stator", why=why),
                RuledOut(what="a flow step", why="flow is taken for each turn of the pump"),
            ),
            first_step=STEPS[cause],
        )


PLUGIN = PumpSlip()


def _explained(unit: UnitView, now: Figures, base: Figures) -> float:
    """Fall (logarithm) that slip ∝ ΔP/µ gives from the learnt slip at the pressure and viscosity of the moment."""
    slip = SLIP
    if "displacement" in unit.params and base[0] is not None:
        slip = min(max(1.0 - volumetric_efficiency(base[0], unit.params["displacement"], 1.0), SLIP), 0.5)
    push = now[2] / base[2] if now[2] is not None and base[2] is not None and now[2] > 0 and base[2] > 0 else 1.0
    thin = base[3] / now[3] if now[3] and base[3] else 1.0
    then = min(slip * push * thin, 0.9)
    return log((1.0 - slip) / (1.0 - then))
