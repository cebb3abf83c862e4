"""Flotation without its gas: the recycle's pressure has gone (docs/detectors/gas_lost.md)."""

from __future__ import annotations

from typing import ClassVar, Final

from analytics.detectors.base import Coverage, Learns
from analytics.frame import F64, Block, Mask
from analytics.learnt import Figures, Learnt, Terms, Words, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import RuledOut

LIMIT: Final = 0.3  # share of the learnt pressure that has gone: common practice, no source
WORSE: Final = 1.3  # times the learnt oil or turbidity
STEP: Final = "Suggest checking compressor, saturator and recycle pump of the flotation cell, per site procedure."


class GasLost(Learnt):
    """Kind ``gas-lost`` of a flotation cell."""

    name: ClassVar[str] = "gas_lost"
    kinds: ClassVar[frozenset[str]] = frozenset({"gas-lost"})
    unit_type: ClassVar[str] = "flotation"
    terms: ClassVar[Terms] = Terms(limit=LIMIT, part=5, enough=3, learn=144, last=2)
    learns: ClassVar[Learns] = Learns(roles=frozenset({"recycle_pressure"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """The recycle's pressure."""
        if not unit.has("recycle_pressure"):
            return Coverage(frozenset(), missing=("recycle_pressure",))
        return Coverage(self.kinds, weaker=() if unit.has("outlet_oil") else ("outlet_oil: the harm is not seen",))

    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:  # noqa: ARG002
        """Pressure, flow, oil and turbidity."""
        names = ("recycle_pressure", "flow", "outlet_oil", "outlet_turbidity")
        return [block.clean(unit.id, name) for name in names], in_service(block)

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Share of the learnt pressure that has gone."""
        return None if now[0] is None or not base[0] or base[0] <= 0 else 1.0 - now[0] / base[0]

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words:  # noqa: ARG002
        """High where the water behind it has become worse."""
        worse = any(a is not None and b and a > WORSE * b for a, b in zip(now[2:], base[2:], strict=True))
        numbers = pair(unit, "recycle_pressure", "recycle_pressure", now[0], base[0])
        for k, role in ((1, "flow"), (2, "outlet_oil"), (3, "outlet_turbidity")):
            numbers += pair(unit, role, role, now[k], base[k]) if unit.has(role) else ()
        return Words(
            severity="high" if worse else "medium",
            confidence=0.9 if worse else 0.75,
            numbers=numbers,
            ruled_out=(RuledOut(what="a stop", why="the skid is in service"),),
            first_step=STEP,
        )


PLUGIN = GasLost()
