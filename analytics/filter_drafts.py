"""What the filter detector says, with the numbers that an engineer needs to check it by hand."""

from __future__ import annotations

from statistics import median
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict

from analytics.detectors.base import Draft
from analytics.evidence import moment, number, plain, trace
from analytics.filter_runs import Run
from analytics.forecast import Left
from analytics.frame import F64
from analytics.wash_quality import Washes
from skidhand.fleet import UnitView
from skidhand.model.finding import Evidence, Forecast, Number, RuledOut
from skidhand.model.kinds import Severity

# Common practice, no source.
MOVED: Final = 0.25  # share of the warning time by which a forecast must move to be said again
SLUG_OIL: Final = 1.8  # times the run's usual oil
SLUG_SLOPE: Final = 1.5  # times the slope before it
SLUG_BINS: Final = (4, 6)  # parts of the run that must lie before and after its arrival


class Told(BaseModel):
    """What is said of the present run: when the terminal drop is due (minute), how bad, why."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    due: float
    severity: Severity
    cause: str

    def differs(self, now: Told, minute: int, warning: float) -> bool:
        """Severity, cause, or the forecast by a good part of the ``warning`` hours; what is overdue moves no more."""
        moved = abs(now.due - max(self.due, minute)) > MOVED * 60.0 * warning
        return moved or (self.severity, self.cause) != (now.severity, now.cause)


def pressure_role(unit: UnitView) -> str:
    """The role whose instrument shows the drop's unit."""
    return "dp" if unit.has("dp") else "inlet_pressure"


def dp_rise(
    unit: UnitView,
    run: Run,
    minute: int,
    told: Told,
    estimate: Left | None,
    *,
    drop: float,
    index: float | None,
    flow: float,
    viscosity: float,
) -> Draft:
    """The filter wants a backwash. ``drop`` kPa, ``index`` over the clean drop, ``flow`` m³/h of late."""
    role = pressure_role(unit)
    numbers = [
        number(unit, role, "dp", drop, difference=True),
        number(unit, role, "dp_limit", unit.limits["dp_terminal"], difference=True),
        *_estimate(index, estimate),
        plain("viscosity_factor", viscosity),
    ]
    if unit.has("flow"):
        numbers.append(number(unit, "flow", "flow", flow))
    minutes = [minute // n for minute, n in zip(run.bins.minute, run.bins.n, strict=True)]
    return Draft(
        minute=minute,
        kind="dp-rise",
        run_key=str(run.began),
        onset=run.began,
        severity=told.severity,
        confidence=_confidence(estimate),
        unit=unit.id,
        cause=told.cause,
        evidence=Evidence(
            numbers=tuple(numbers),
            traces=(trace(unit, role, "dp", minutes, run.column("drop")),),
            start=moment(run.began),
            end=moment(minute),
        ),
        ruled_out=_look_alikes(run),
        forecast=None if estimate is None else _forecast(minute, estimate),
        first_step="Suggest a backwash, per site procedure.",
    )


def _estimate(index: float | None, estimate: Left | None) -> list[Number]:
    numbers = [] if index is None else [plain("fouling_index", index)]
    if estimate is not None:
        numbers += [plain("hours_left", estimate.median, "h"), plain("earlier_runs", estimate.runs)]
    return numbers


def _forecast(minute: int, estimate: Left) -> Forecast:
    when, low, high = (moment(minute + 60.0 * hours) for hours in (estimate.median, estimate.low, estimate.high))
    return Forecast(what="terminal pressure drop", when=when, low=min(low, when), high=max(high, when))


def _confidence(estimate: Left | None) -> float:
    """More with earlier runs of its own behind it."""
    if estimate is None or estimate.runs == 0:
        return 0.6
    return 0.9 if estimate.runs >= 3 else 0.75


def _look_alikes(run: Run) -> tuple[RuledOut, ...]:
    """What else raises a drop, with the numbers that speak against it."""
    factors, drops = run.column("factor"), run.column("drop")
    grown = drops[-1] / max(float(np.median(drops[:3])), 1e-9)
    given = factors[-1] / max(float(np.median(factors[:3])), 1e-9)
    why = f"since the run began the drop became {grown:.2f} times, of which flow and viscosity explain {given:.2f}"
    return (
        RuledOut(what="flow step, parallel filter out or cold feed", why=why),
        RuledOut(what="frozen reading", why=f"{sum(run.bins.n)} minutes used, none flagged frozen"),
    )


def incomplete_backwash(unit: UnitView, washes: Washes, minute: int, ended: int | None) -> Draft:
    """The last washes did not clean the bed."""
    assert washes.since is not None
    assert washes.baseline is not None
    role = pressure_role(unit)
    minutes, drops = [at for at, _ in washes.cleans], [drop for _, drop in washes.cleans]
    return Draft(
        minute=minute,
        kind="incomplete-backwash",
        run_key=str(washes.since),
        onset=washes.since,
        severity="medium",
        confidence=0.8,
        unit=unit.id,
        cause="oil-wet-media",
        ended=ended,
        evidence=Evidence(
            numbers=(
                number(unit, role, "dp_clean", drops[-1], difference=True),
                number(unit, role, "dp_clean_usual", washes.baseline, difference=True),
                plain("washes", washes.weak),
            ),
            traces=(trace(unit, role, "dp_clean", minutes, drops),),
            start=moment(minutes[0]),
            end=moment(minute),
        ),
        ruled_out=(
            RuledOut(what="one short wash", why=f"{washes.weak} washes in a row did not clean"),
            RuledOut(what="flow step or cold feed", why="clean drops are compared at one flow and viscosity"),
        ),
        first_step="Suggest checking wash flow, wash time and media, per site procedure.",
    )


def slug_came(run: Run) -> bool:
    """Oil came in a slug during the run, and the drop has risen faster since."""
    oil = run.oil()
    usual = _known_median(oil)
    if usual is None:
        return False
    high = np.flatnonzero(oil >= SLUG_OIL * usual)
    before, after = SLUG_BINS
    if len(high) < 2 or high[0] < before or len(oil) - high[0] < after:
        return False
    k = int(high[0])
    at, normal = run.column("at"), run.column("drop") / run.column("factor")
    earlier = slice(max(0, k - (len(at) - k)), k)
    now = _slope(at[k:], normal[k:])
    return now > 0.0 and now >= SLUG_SLOPE * max(0.0, _slope(at[earlier], normal[earlier]))


def slug_passes(run: Run) -> bool:
    """Oil far above the run's usual arrived of late: the present slope will not last."""
    oil = run.oil()
    usual = _known_median(oil)
    return usual is not None and bool((oil[-run.late :] >= SLUG_OIL * usual).any())


def _known_median(values: F64) -> float | None:
    known = values[np.isfinite(values)].tolist()
    return median(known) if known else None


def _slope(x: F64, y: F64) -> float:
    return float(np.polyfit(x - x.mean(), y, 1)[0])
