"""A pressure of a cyclone whose zero creeps away from what its partners say (docs/detectors/split_drift.md).

:func:`analytics.cyclone_split.zero_of` tells of one bin which pressure is wrong, and by how much. What is said of it
must have grown steadily: a jump is somebody's new zero or scale.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.cyclone_split import Zero
from analytics.detectors.base import Draft
from analytics.drift_shape import steady
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
LIMIT: Final = 0.03  # of the instrument's range
IN_A_ROW: Final = 12  # bins (1 h) in which the same pressure is wrong by as much, to open; without it, to close
LEAST: Final = 36  # bins (3 h) over which it must have grown
KEPT: Final = 576  # bins: 48 h of service
BACK: Final = 0.5  # of the limit
ROLES: Final = {"pin": "inlet_pressure", "pout": "outlet_pressure", "prej": "reject_pressure"}
STEP: Final = "Suggest checking the transmitter's zero against a gauge, per site procedure."


class Creep(BaseModel):
    """Bins in which the pressure ``of`` was wrong (first minute, error in kPa); bins in a row that say otherwise."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    of: str = ""
    bins: tuple[tuple[int, float], ...] = ()
    other: int = 0
    told: Draft | None = None


def follow(unit: UnitView, creep: Creep, at: int, end: int, zero: Zero | None) -> tuple[Creep, list[Draft]]:
    """The memory after the bin that begins at ``at`` and ends with ``end``, and what there is to say."""
    if zero is not None and zero.of == creep.of:
        bins = (*creep.bins, (at, zero.error))[-KEPT:]
        creep = creep.model_copy(update={"bins": bins, "other": 0})
    else:
        creep = creep.model_copy(update={"other": creep.other + 1})
    if creep.told is not None:
        if not _over(unit, creep):
            return creep, []
        over = replace(creep.told, minute=end, ended=max(at, creep.told.onset))
        return Creep(), [over]
    if creep.other >= IN_A_ROW or not creep.of:
        return (Creep() if zero is None else Creep(of=zero.of, bins=((at, zero.error),))), []
    if not _grown(unit, creep):
        return creep, []
    told = _draft(unit, creep, end)
    return creep.model_copy(update={"told": told}), [told]


def partners(unit: UnitView, skid: SkidView, block: Block) -> tuple[F64, F64]:
    """(what else tells the feed flow, the pump's own discharge pressure): NaN where there is no such instrument.

    The flow by the revolutions of the pump before the cyclone, else by the nearest other meter before it.
    """
    before = [skid.by_id[name] for name in skid.before(unit.id)]
    wanted = [(one.id, "speed") for one in before if one.type.name == "feed_pump" and one.has("speed")]
    wanted += [(one.id, role) for one in before for role in ("flow", "inlet_flow") if one.has(role)]
    own = {unit.tags.get("inlet_flow"), unit.tags.get("inlet_pressure")}
    flow = next((key for key in wanted if skid.by_id[key[0]].tags[key[1]] not in own), None)
    pump = next((one for one in before if one.has("discharge_pressure")), None)
    nothing = np.full(len(block), np.nan)
    apart = pump is not None and pump.tags["discharge_pressure"] not in own
    return (
        nothing if flow is None else block.clean(*flow),
        block.clean(pump.id, "discharge_pressure") if pump is not None and apart else nothing,
    )


def _limit(unit: UnitView, of: str) -> float:
    """kPa."""
    role = ROLES[of]
    span = unit.instruments[role].range
    return LIMIT * (span[1] - span[0]) / unit.shown(role, 1.0, difference=True)[0] if span else float("inf")


def _grown(unit: UnitView, creep: Creep) -> bool:
    errors = np.array([error for _, error in creep.bins])
    if len(errors) < LEAST or creep.other:
        return False
    return bool((np.abs(errors[-IN_A_ROW:]) > _limit(unit, creep.of)).all()) and steady(errors)


def _over(unit: UnitView, creep: Creep) -> bool:
    """Gone for an hour: another reading of it all, or less than half of the limit."""
    small = [abs(error) < BACK * _limit(unit, creep.of) for _, error in creep.bins[-IN_A_ROW:]]
    return creep.other >= IN_A_ROW or all(small)


def _draft(unit: UnitView, creep: Creep, minute: int) -> Draft:
    minutes, errors = (np.array(column, dtype=np.float64) for column in zip(*creep.bins, strict=True))
    pace, start = np.polyfit(minutes - minutes[0], errors, 1)
    onset = int(minutes[0] - min(max(start / pace, 0.0), minutes[-1] - minutes[0]))
    role = ROLES[creep.of]
    error = float(np.median(errors[-IN_A_ROW:]))
    return Draft(
        minute=minute,
        kind="sensor-drift",
        run_key=f"{unit.tags[role]}/{onset}",
        onset=onset,
        severity="low",
        confidence=0.7,
        unit=unit.tags[role],
        evidence=Evidence(
            numbers=(
                number(unit, role, "reads_too_much", error, difference=True),
                number(unit, role, "limit", _limit(unit, creep.of), difference=True),
                plain("grown_for", (minutes[-1] - onset) / 60.0, "h"),
            )
        ),
        ruled_out=(
            RuledOut(what="the cyclone", why="flows and the other pressures fit each other as they did"),
            RuledOut(what="another zero or scale", why="it grew steadily, without a jump"),
        ),
        first_step=STEP,
    )
