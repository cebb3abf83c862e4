"""Feed too salty for reverse osmosis: osmosis takes what pressure there is (docs/detectors/osmotic_limit.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.detectors.membrane import NEEDED, driving_of
from analytics.episodes import Episode, Episodes, watch
from analytics.evidence import number, plain
from analytics.frame import Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

AFTER: Final = 30  # minutes: common practice, no source
BACK: Final = 0.95  # of the limit
STEP: Final = (
    "Suggest checking the feed's salt in the laboratory and whether this water belongs here, per site procedure."
)


class OsmoticLimit(NothingLearnt):
    """Kind ``too-salty-for-ro`` of a reverse osmosis stage."""

    name: ClassVar[str] = "osmotic_limit"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"too-salty-for-ro"})
    unit_type: ClassVar[str] = "reverse_osmosis"
    state: ClassVar[type[State]] = Episodes

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Flows, feed pressure, temperature and the salt."""
        missing = [role for role in NEEDED if not unit.has(role)]
        if skid.tds is None:
            missing.append("water.tds: the osmotic pressure")
        return Coverage(frozenset() if missing else self.kinds, missing=tuple(missing))

    def start(self, unit: UnitView, skid: SkidView) -> Episodes:  # noqa: ARG002
        """Nothing known."""
        return Episodes()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """The share of the feed's pressure that osmosis takes."""
        assert isinstance(state, Episodes)
        _, osmotic, _ = driving_of(unit, skid, block)
        pressure = block.clean(unit.id, "feed_pressure")
        limit = unit.limits["osmotic_share"]
        judged = block.running & ~block.settling & (pressure > 0)
        share = np.where(judged, osmotic / np.where(pressure > 0, pressure, np.nan), np.nan)

        def say(i: int, onset: int) -> Draft:
            return Draft(
                minute=int(block.minutes[i]),
                kind="too-salty-for-ro",
                run_key=str(onset),
                onset=onset,
                severity="medium",
                confidence=0.8,
                unit=unit.id,
                evidence=Evidence(
                    numbers=(
                        plain("osmotic_pressure", float(osmotic[i]), "kPa"),
                        number(unit, "feed_pressure", "feed_pressure", float(pressure[i])),
                        plain("osmotic_share", float(share[i])),
                        plain("osmotic_share_limit", limit),
                    )
                ),
                ruled_out=(
                    RuledOut(what="fouling", why="this is reckoned from salt and pressure, whatever the membrane"),
                ),
                first_step=STEP,
            )

        episode, drafts = watch(
            block.minutes, share > limit, share < BACK * limit, state.by.get("salt", Episode()),
            after=AFTER, until=AFTER, say=say,
        )  # fmt: skip
        return Episodes(by={"salt": episode}), drafts


PLUGIN = OsmoticLimit()
