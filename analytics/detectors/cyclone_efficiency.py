"""A cyclone that lets more of the oil through than it did (docs/detectors/cyclone_efficiency.md).

Judged on the share that passes, Cu/Ci, and only where the outlet itself is higher: in transients the feed's oil moves
more than the outlet's, and efficiency alone misleads (Energies 2018, 11, 2379).
"""

from __future__ import annotations

from math import log
from typing import ClassVar, Final

import numpy as np

from analytics.detectors.base import Coverage, Learns
from analytics.evidence import plain
from analytics.frame import F64, Block, Mask
from analytics.learnt import Figures, Learnt, Terms, Words, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import RuledOut
from skidhand.unit_types.hydrocyclone import efficiencies

# Common practice, no source.
LIMIT: Final = log(1.5)  # of the share that passes
HIGHER: Final = 1.2  # times the learnt outlet oil
SPLIT: Final = 0.85  # of the learnt reject ratio, below which it is the split's matter
PARTNER: Final = 1.12  # times its learnt reading, that an analyser downstream must show too
SLOW: Final = 0.65  # of the learnt flow: below it the swirl no longer serves the liners that are open
SWIRL: Final = 2.0  # power of the flow by which the share that passes may rise above that: the force goes as its square
WORN: Final = 0.96  # of the learnt drop at equal flow
GASSY: Final = 2.5  # times the learnt restlessness of the inlet pressure
STEPS: Final = {
    "low-inlet-flow": "Suggest checking whether the liners can have the flow that they need, per site procedure.",
    "liner-wear": "Suggest planning an inspection of the liners, per site procedure.",
    "gas": "Suggest checking where gas comes from and the degassing ahead, per site procedure.",
    "upstream-shear": "Suggest checking pumps and throttled valves upstream that break droplets, per site procedure.",
}
ANY_STEP: Final = "Suggest samples at inlet and outlet of the cyclone, per site procedure."


class CycloneEfficiency(Learnt):
    """Kind ``cyclone-efficiency-loss`` of a hydrocyclone."""

    name: ClassVar[str] = "cyclone_efficiency"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"cyclone-efficiency-loss"})
    unit_type: ClassVar[str] = "hydrocyclone"
    terms: ClassVar[Terms] = Terms(limit=LIMIT, part=15, enough=8, learn=48, last=4)
    learns: ClassVar[Learns] = Learns(parts=frozenset({"liner"}), roles=frozenset({"inlet_oil", "outlet_oil"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Oil in and out."""
        missing = tuple(role for role in ("inlet_oil", "outlet_oil") if not unit.has(role))
        if missing:
            return Coverage(frozenset(), missing=missing)
        weaker = tuple(
            f"{role}: {cost}"
            for role, cost in (
                ("inlet_flow", "low flow is not told"),
                ("reject_flow", "a plugged reject is not told apart"),
                ("outlet_pressure", "worn liners are not told"),
            )
            if not unit.has(role)
        )
        return Coverage(self.kinds, weaker=weaker)

    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
        """Oil in and out, flow, drop over Q², reject ratio, restlessness of the inlet pressure, oil downstream."""
        into, out = block.clean(unit.id, "inlet_oil"), block.clean(unit.id, "outlet_oil")
        flow = block.clean(unit.id, "inlet_flow")
        positive = np.where(flow > 0, flow, np.nan)
        drop = block.clean(unit.id, "inlet_pressure") - block.clean(unit.id, "outlet_pressure")
        reject = block.clean(unit.id, "reject_flow") / positive
        channel = block.get(unit.id, "inlet_pressure")
        restless = np.full(len(block), np.nan) if channel is None else np.where(channel.usable, channel.std, np.nan)
        usable = in_service(block) & (into > 0) & (out > 0)
        return [into, out, flow, drop / positive**2, reject, restless, _downstream(unit, skid, block)], usable

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Logarithm of the share that passes over the learnt one at this flow; 0 while the outlet is not higher."""
        if not (now[0] and now[1] and base[0] and base[1]):
            return None
        passes = log(now[1] / now[0] * base[0] / base[1])
        flow = _ratio(now[2], base[2])
        if flow is not None and SLOW <= flow < 1.0:
            passes += SWIRL * log(flow)
        return passes if now[1] > HIGHER * base[1] else min(passes, 0.0)

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words | None:  # noqa: ARG002
        """Which of flow, liners, gas or droplets; nothing where the split or the analyser explains it."""
        flow, worn, split, restless, partner = (_ratio(now[k], base[k]) for k in (2, 3, 4, 5, 6))
        if (split is not None and split < SPLIT) or (partner is not None and partner < PARTNER):
            return None
        cause: str | None
        if flow is not None and flow < SLOW:
            cause = "low-inlet-flow"
        elif restless is not None and restless > GASSY:
            cause = "gas"
        elif worn is not None and worn < WORN:
            cause = "liner-wear"
        else:
            cause = "upstream-shear" if worn is not None and flow is not None else None
        assert now[0]
        assert now[1]
        numbers = [
            *pair(unit, "inlet_oil", "inlet_oil", now[0], base[0]),
            *pair(unit, "outlet_oil", "outlet_oil", now[1], base[1]),
        ]
        numbers += pair(unit, "inlet_flow", "inlet_flow", now[2], base[2]) if unit.has("inlet_flow") else ()
        numbers.append(plain("efficiency", efficiencies(now[0], now[1], now[4] or 0.0)[0]))
        numbers.append(plain("efficiency_learnt", 1.0 - base[1] / base[0] if base[0] and base[1] else 0.0))
        ruled_out = [
            RuledOut(what="more oil in the feed", why="the share that passes has risen, not the feed's oil alone")
        ]
        if split is not None:
            ruled_out.append(RuledOut(what="split drift", why=f"the reject ratio is {split:.2f} of what was learnt"))
        if partner is not None:
            ruled_out.append(
                RuledOut(what="the outlet analyser", why=f"the next one reads {partner:.2f} of what was learnt")
            )
        if worn is not None:
            ruled_out.append(
                RuledOut(
                    what="worn liners" if cause != "liner-wear" else "gas",
                    why=f"drop at equal flow is {worn:.2f} of what was learnt",
                )
            )
        return Words(
            cause=cause,
            severity="high" if change > 2.0 * LIMIT else "medium",
            confidence=0.8 if partner is not None else 0.6,
            numbers=tuple(numbers),
            ruled_out=tuple(ruled_out),
            first_step=STEPS.get(cause or "", ANY_STEP),
        )


PLUGIN = CycloneEfficiency()


def _ratio(now: float | None, base: float | None) -> float | None:
    return now / base if now is not None and base is not None and base > 0 else None


def _downstream(unit: UnitView, skid: SkidView, block: Block) -> F64:
    """The next oil analyser behind the cyclone; NaN without one."""
    own = unit.tags["outlet_oil"]
    for name in skid.after(unit.id):
        for role in ("outlet_oil", "oil"):
            if skid.by_id[name].has(role) and skid.by_id[name].tags[role] != own:
                return block.clean(name, role)
    return np.full(len(block), np.nan)
