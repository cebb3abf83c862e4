"""Salt that passes the membrane more than it did (docs/detectors/salt_passage.md)."""

from __future__ import annotations

from math import log, log1p
from typing import ClassVar, Final

from analytics.detectors.base import Coverage, Learns
from analytics.evidence import plain
from analytics.frame import F64, Block, Mask
from analytics.learnt import Figures, Learnt, LearntState, Terms, Words, in_service, pair
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import RuledOut

DAMAGE: Final = 1.5  # times the learnt passage at a flow that has not fallen: common practice, no source
STEP: Final = "Suggest probing the vessels for the one that leaks, per site procedure."


class SaltPassage(Learnt):
    """Kind ``salt-passage-rise`` of a reverse osmosis stage."""

    name: ClassVar[str] = "salt_passage"
    kinds: ClassVar[frozenset[str]] = frozenset({"salt-passage-rise"})
    unit_type: ClassVar[str] = "reverse_osmosis"
    terms: ClassVar[Terms] = Terms(limit=log1p(0.15), part=60, enough=30, learn=24, last=3, kept=720)
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"membrane"}),
        roles=frozenset({"feed_conductivity", "permeate_conductivity"}),
        keeps=frozenset(LearntState.model_fields),
        stays=frozenset({"salt-passage-rise"}),
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Both conductivities."""
        missing = tuple(role for role in ("feed_conductivity", "permeate_conductivity") if not unit.has(role))
        return Coverage(frozenset() if missing else self.kinds, missing=missing)

    def columns(self, unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:  # noqa: ARG002
        """Conductivities and permeate flow."""
        feed, permeate = (block.clean(unit.id, f"{name}_conductivity") for name in ("feed", "permeate"))
        return [feed, permeate, block.clean(unit.id, "permeate_flow")], in_service(block) & (feed > 0) & (permeate > 0)

    def change(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures) -> float | None:  # noqa: ARG002
        """Logarithm of passage (permeate over feed conductivity, both of one sample) over the learnt one."""
        if not (now[0] and now[1] and base[0] and base[1]):
            return None
        return log(now[1] / now[0] * base[0] / base[1])

    def words(self, unit: UnitView, skid: SkidView, now: Figures, base: Figures, change: float) -> Words | None:  # noqa: ARG002
        """Damage where it is much and the flow has not fallen; a lower flow alone makes permeate saltier."""
        if change < log1p(unit.limits["passage_rise"]):
            return None
        flows = now[2] / base[2] if now[2] is not None and base[2] else None
        damage = change > log(DAMAGE) and (flows is None or flows > 0.95)
        assert now[0]
        assert now[1]
        numbers = [
            *pair(unit, "feed_conductivity", "feed_conductivity", now[0], base[0]),
            *pair(unit, "permeate_conductivity", "permeate_conductivity", now[1], base[1]),
            plain("salt_passage", 100.0 * now[1] / now[0], "%"),
        ]
        why = "permeate flow is not known" if flows is None else f"permeate flow is {flows:.2f} of what was learnt"
        return Words(
            cause="membrane-damage" if damage else None,
            severity="high" if damage else "medium",
            numbers=tuple(numbers),
            ruled_out=(
                RuledOut(what="saltier feed", why="passage is the permeate's over the feed's own conductivity"),
                RuledOut(what="a lower flow", why=why),
            ),
            first_step=STEP,
        )


PLUGIN = SaltPassage()
