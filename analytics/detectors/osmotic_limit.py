"""Feed too salty for reverse osmosis: osmosis takes what pressure there is (docs/detectors/osmotic_limit.md)."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.detectors.membrane import NEEDED, osmotic_of, salt_of
from analytics.episodes import Episode, Episodes, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

AFTER: Final = 30  # minutes: common practice, no source
HOPELESS: Final = 0.95  # share of osmosis with which next to nothing is left to drive: common practice, no source
STEP_UP: Final = 0.10  # above the usual share, for a plant that makes its permeate near or beyond the limit as built
BAND: Final = 0.05  # of share or recovery, by which it must come back
LEARN: Final = 1440  # judged minutes: a day in service
LOW_FLOW: Final = 0.4  # share of design flow below which pressure falls with the flow, whatever the salt (likewise)
LESS: Final = 0.9  # of the usual recovery: above it pump and membrane bear the water (likewise)
STEP: Final = (
    "Suggest checking the feed's salt in the laboratory and whether this water belongs here, per site procedure."
)


class OsmoticState(Episodes):
    """Judged minutes of the first day in service, by percent (the last: all from 100 % up): ``tally`` of the share of
    osmosis, ``made`` of the recovery.
    """

    tally: tuple[int, ...] = (0,) * 101
    made: tuple[int, ...] = (0,) * 101


class OsmoticLimit:
    """Kind ``too-salty-for-ro`` of a reverse osmosis stage: what it never had, not how the plant was built."""

    name: ClassVar[str] = "osmotic_limit"
    version: ClassVar[int] = 3
    kinds: ClassVar[frozenset[str]] = frozenset({"too-salty-for-ro"})
    unit_type: ClassVar[str] = "reverse_osmosis"
    state: ClassVar[type[State]] = OsmoticState
    learns: ClassVar[Learns] = Learns(parts=frozenset({"membrane"}), roles=frozenset({*NEEDED, "feed_conductivity"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Flows, feed pressure, temperature and the salt."""
        missing = [role for role in NEEDED if not unit.has(role)]
        if skid.tds is None:
            missing.append("water.tds: the osmotic pressure")
        return Coverage(frozenset() if missing else self.kinds, missing=tuple(missing))

    def start(self, unit: UnitView, skid: SkidView) -> OsmoticState:  # noqa: ARG002
        """Nothing known."""
        return OsmoticState()

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Hours in service of the day that makes the usual share."""
        assert isinstance(state, OsmoticState)
        done = sum(state.tally)
        return Progress(done / 60, LEARN / 60) if done < LEARN else None

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """The share of the feed's pressure that osmosis takes."""
        assert isinstance(state, OsmoticState)
        pressure, feed = block.clean(unit.id, "feed_pressure"), block.clean(unit.id, "feed_flow")
        judged = block.running & ~block.settling & (pressure > 0) & (feed > LOW_FLOW * (skid.design_flow or 0.0))
        pressure, feed = np.where(judged, pressure, np.nan), np.where(judged & (feed > 0), feed, np.nan)
        recovery = np.clip(block.clean(unit.id, "permeate_flow") / feed, 0.01, 0.95)
        made, usual = recoveries(recovery, state.made)
        # At the recovery that it is built for: what is left over when permeate fails is no salt that has gone.
        osmotic = osmotic_of(
            salt_of(unit, skid, block, beyond=True), np.fmax(recovery, usual), block.clean(unit.id, "temperature")
        )
        share = osmotic / pressure
        tally, bound = bounds(share, state.tally, unit.limits["osmotic_share"])
        salty = (share > bound) & ((recovery < LESS * usual) | np.isnan(usual))
        fine = (share < bound - BAND) | (recovery > (LESS + BAND) * usual)

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
                        plain("osmotic_share_limit", float(bound[i])),
                        plain("recovery", float(recovery[i])),
                        *(() if np.isnan(usual[i]) else (plain("recovery_usual", float(usual[i])),)),
                    )
                ),
                ruled_out=(
                    RuledOut(what="fouling", why="this is reckoned from salt and pressure, whatever the membrane"),
                ),
                first_step=STEP,
            )

        episode, drafts = watch(
            block.minutes, salty, fine & ~salty, state.by.get("salt", Episode()),
            after=AFTER, until=AFTER, say=say,
        )  # fmt: skip
        return OsmoticState(by={"salt": episode}, tally=tally, made=made), drafts


def bounds(share: F64, tally: tuple[int, ...], limit: float) -> tuple[tuple[int, ...], F64]:
    """The tally after these minutes, and of each minute the share above which it is too salty.

    Until a day is known only what is hopeless; then the limit, or a step above the usual where that is more.
    """
    counts, since = _counted(share, tally)
    bound = np.full(len(share), HOPELESS)
    if sum(counts) >= LEARN:
        bound[since:] = min(HOPELESS, max(limit, _median(counts) + STEP_UP))
    return counts, bound


def recoveries(recovery: F64, made: tuple[int, ...]) -> tuple[tuple[int, ...], F64]:
    """The tally after these minutes, and of each minute the usual recovery; NaN until that is known."""
    counts, since = _counted(recovery, made)
    usual = np.full(len(recovery), np.nan)
    if sum(counts) >= LEARN:
        usual[since:] = _median(counts)
    return counts, usual


def _counted(share: F64, tally: tuple[int, ...]) -> tuple[tuple[int, ...], int]:
    """The tally with what of ``share`` is still to be learnt of, and from which position on it is known."""
    known = np.flatnonzero(np.isfinite(share))[: LEARN - sum(tally)]
    counts = np.array(tally) + np.bincount(np.clip(100.0 * share[known], 0, 100).astype(np.int64), minlength=101)
    return tuple(counts.tolist()), int(known[-1]) + 1 if len(known) else 0


def _median(counts: tuple[int, ...]) -> float:
    return float(np.searchsorted(np.cumsum(counts), LEARN / 2) + 0.5) / 100.0


PLUGIN = OsmoticLimit()
