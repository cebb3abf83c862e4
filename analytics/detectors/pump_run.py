"""A pump that runs without water, or against a closed line (docs/detectors/pump_run.md).

Both ruin a progressive cavity pump in minutes. The trip belongs to the skid's own controller; this tells a person.
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.conditions import forward
from analytics.detectors.base import Coverage, Draft, Learns, NothingLearnt, State
from analytics.detectors.tank_level import ends_of
from analytics.episodes import Episode, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block, Mask
from analytics.learnt import flow_of
from analytics.masks import flow_low
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

# Common practice, no source.
AFTER: Final = 3  # minutes
TURNS: Final = 0.3  # of the usual speed: below it the pump is stopping, or a stopped one reads noise
UNTIL: Final = 10
PRESSED: Final = 1.3  # times the usual discharge pressure
STARVED: Final = 0.5  # of the flow that a turn usually gives: the pump takes more vapour than water
LEARN: Final = 60  # minutes in service that tell what a turn gives
EASY: Final = 0.75  # of the usual current: nothing to push
LEVEL: Final = 0.05  # of the span of the tank before it
STEPS: Final = {
    "dry-running": "Suggest verifying by call or camera that the pump has stopped, per site procedure.",
    "discharge-blocked": "Suggest checking that the pump has stopped, and the line behind it, per site procedure.",
}
ROLES: Final = ("speed", "discharge_pressure", "motor_current")


class RunState(State):
    """``usual``: latest pressure and current in service; an episode a kind.

    ``learning``: flow over speed of the first minutes in service, whose median is ``turn``.
    """

    learning: tuple[float, ...] = ()
    turn: float | None = None
    usual: dict[str, float] = Field(default_factory=dict)
    by: dict[str, Episode] = Field(default_factory=dict)


class PumpRun(NothingLearnt):
    """Kinds ``dry-running`` and ``discharge-blocked`` of a feed pump."""

    name: ClassVar[str] = "pump_run"
    version: ClassVar[int] = 2
    kinds: ClassVar[frozenset[str]] = frozenset({"dry-running", "discharge-blocked"})
    unit_type: ClassVar[str] = "feed_pump"
    state: ClassVar[type[State]] = RunState
    learns: ClassVar[Learns] = Learns(parts=frozenset({"stator"}), roles=frozenset({"speed", "flow"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Whether it turns, and a flow; what it pushes against tells the rest."""
        missing = [] if unit.has("speed") or unit.has("running") else ["speed or running"]
        if not any(skid.by_id[n].has(r) for n in (unit.id, *skid.after(unit.id)) for r in ("flow", "inlet_flow")):
            missing.append("flow, of the pump or behind it")
        if missing:
            return Coverage(frozenset(), missing=tuple(missing))
        kinds = self.kinds if unit.has("discharge_pressure") else frozenset({"dry-running"})
        weaker = [
            f"{role}: dry running is told later"
            for role in ("motor_current", "stator_temperature")
            if not unit.has(role)
        ]
        return Coverage(kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> RunState:  # noqa: ARG002
        """Nothing known."""
        return RunState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Turning, no flow, and a sign of the one or the other."""
        assert isinstance(state, RunState)
        flow = flow_of(unit, skid, block)
        low = max(flow_low(skid), 1e-9)
        learning, turn, given = _turns(flow, block, unit, low, state)
        starved = given < STARVED
        serves = (flow > low) & ~block.settling & ~starved
        usual = {r: forward(np.where(serves, block.clean(unit.id, r), np.nan), state.usual.get(r)) for r in ROLES}
        says = block.clean(unit.id, "running")
        turns = (
            (block.clean(unit.id, "speed") > TURNS * usual["speed"]) & ~(says == 0) if unit.has("speed") else says > 0
        )
        stuck = turns & ((flow < low / 2.0) | starved)
        pressed = block.clean(unit.id, "discharge_pressure") > PRESSED * usual["discharge_pressure"]
        dry = stuck & ~pressed & _signs(unit, skid, block, usual)
        by, drafts = dict(state.by), list[Draft]()
        for kind, on in (("dry-running", dry), ("discharge-blocked", stuck & pressed)):
            by[kind], said = watch(
                block.minutes, on, ~on & (serves | ~turns), by.get(kind, Episode()), after=AFTER, until=UNTIL,
                say=lambda i, onset, k=kind: _draft(unit, block, flow, usual, i, onset, k),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        kept = {role: float(values[-1]) for role, values in usual.items() if np.isfinite(values[-1])}
        return RunState(learning=learning, turn=turn, usual=kept, by=by), ordered(drafts)


PLUGIN = PumpRun()


def _turns(
    flow: F64, block: Block, unit: UnitView, low: float, state: RunState
) -> tuple[tuple[float, ...], float | None, F64]:
    """(what is learnt from, the usual flow a turn, each minute's share of it: NaN where it is not known)."""
    speed = block.clean(unit.id, "speed")
    each = flow / np.where(speed > 0, speed, np.nan)
    if state.turn is not None:
        return (), state.turn, each / state.turn
    at = np.flatnonzero((flow > low) & ~block.settling & np.isfinite(each))[: LEARN - len(state.learning)]
    learning = (*state.learning, *each[at].tolist())
    share = np.full(len(block), np.nan)
    if len(learning) < LEARN:
        return learning, None, share
    turn = float(np.median(learning))
    share[at[-1] + 1 :] = each[at[-1] + 1 :] / turn
    return (), turn, share


def _signs(unit: UnitView, skid: SkidView, block: Block, usual: dict[str, F64]) -> Mask:
    """The motor has nothing to push, the stator is hot, or the tank before the pump is empty."""
    easy = block.clean(unit.id, "motor_current") < EASY * usual["motor_current"]
    hot = block.clean(unit.id, "stator_temperature") > unit.limits["stator_temperature_high"]
    signs = easy | hot
    for name in skid.before(unit.id):
        tank = skid.by_id[name]
        if tank.type.name in ("weir_tank", "buffer_tank") and tank.has("level"):
            ends = ends_of(tank)
            signs |= block.clean(name, "level") < ends.empty + LEVEL * ends.span
    return signs


def _draft(unit: UnitView, block: Block, flow: F64, usual: dict[str, F64], i: int, onset: int, kind: str) -> Draft:
    numbers: list[Number] = [plain("flow", float(flow[i]), "m3/h")]
    for role in ("suction_pressure", *ROLES, "stator_temperature"):
        now = block.clean(unit.id, role)[i]
        if np.isfinite(now):
            numbers.append(number(unit, role, role, float(now)))
        if role in usual and np.isfinite(usual[role][i]) and unit.has(role):
            numbers.append(number(unit, role, f"{role}_usual", float(usual[role][i])))
    dry = kind == "dry-running"
    other = "the discharge is not pressed" if dry else "the discharge is pressed, so there is water"
    return Draft(
        minute=int(block.minutes[i]),
        kind=kind,
        run_key=str(onset),
        onset=onset,
        severity="high",
        confidence=0.85,
        unit=unit.id,
        cause="suction-starved" if dry else None,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(
            RuledOut(what="a blocked discharge" if dry else "dry running", why=other),
            RuledOut(what="a stop", why="the pump turns"),
        ),
        first_step=STEPS[kind],
    )
