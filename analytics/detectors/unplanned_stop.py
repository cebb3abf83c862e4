"""The skid stands still and nobody asked for it (docs/detectors/unplanned_stop.md).

A skid that says itself that it is stopped was stopped by its controller or by a person; that is a stop like any other
unless its signals give a reason. One that says it runs, and has no flow, has stopped by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.conditions import forward
from analytics.detectors.base import Coverage, Draft, NothingLearnt, State
from analytics.detectors.tank_level import ends_of
from analytics.episodes import Episode, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block, Mask
from analytics.masks import FLOWS, flow_low
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

# Common practice, no source.
AFTER: Final = 10  # minutes without flow
UNSEEN_WASH: Final = 45  # minutes, where a wash without a signal may be the reason
WITHOUT_WORD: Final = 240  # minutes of a stop that nothing explains
UNTIL: Final = 5  # minutes of flow
SAG: Final = 0.8  # of the supply voltage while it ran
STARVED: Final = 10  # minutes by which the feed went before the flow did
LEVEL: Final = 0.1  # of a tank's span: nearly empty, nearly full
BY_HAND: Final = ("manual", "hand", "local", "off", "maint", "service")
STEP: Final = (
    "Suggest reading the controller's alarms, and calling the pad before anyone restarts it, per site procedure."
)


class StopState(State):
    """``fed`` and ``ran``: last minute with feed and with flow; ``volts`` while it ran."""

    fed: int | None = None
    ran: int | None = None
    volts: float | None = None
    mode: float | None = None
    episode: Episode = Field(default_factory=Episode)


@dataclass(frozen=True, slots=True)
class Signals:
    """Minutes of one block: flow and feed m³/h, what is known, and what tells of a reason."""

    flow: F64
    known: Mask
    moves: Mask  # water flows, or a filter is being washed
    says: F64  # the skid's own word: 1 running, 0 stopped, NaN unknown
    reasons: dict[str, Mask]


class UnplannedStop(NothingLearnt):
    """Kind ``unplanned-stop`` of the skid."""

    name: ClassVar[str] = "unplanned_stop"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"unplanned-stop"})
    unit_type: ClassVar[str] = "skid"
    state: ClassVar[type[State]] = StopState

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """A flow; the skid's own word and the rest tell stops and causes apart."""
        if witness(skid) is None:
            return Coverage(frozenset(), missing=("a flow through the skid",))
        weaker = []
        if not unit.has("running"):
            weaker.append("running: a stop by command looks like one without")
        if not unit.has("mode"):
            weaker.append("mode: a stop by command is told from a trip only by a reason, or by its length")
        if not unit.has("supply_voltage"):
            weaker.append("supply_voltage: loss of power is not told")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> StopState:  # noqa: ARG002
        """Nothing known."""
        return StopState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Minute by minute."""
        assert isinstance(state, StopState)
        s = state.model_copy()
        signals = _signals(unit, skid, block, s)
        stands = signals.known & ~signals.moves
        reasoned = np.any([*signals.reasons.values()], axis=0)
        by_command = (signals.says == 0) & ~reasoned
        unseen = any(not bed.has("backwash") for bed in skid.of_type("media_filter"))
        delay = np.where(by_command, WITHOUT_WORD, UNSEEN_WASH if unseen else AFTER)
        delay = np.where(reasoned | ((signals.says == 0) & _automatic(unit, block, s)), AFTER, delay)
        still = _for_minutes(block, signals.moves, s.ran)
        s.episode, drafts = watch(
            block.minutes, stands & (still >= delay), signals.moves, s.episode, after=1, until=UNTIL,
            say=lambda i, onset: _draft(unit, skid, block, signals, i, onset - int(still[i]) + 1),
        )  # fmt: skip
        _remember(s, skid, block, signals)
        return s, drafts


PLUGIN = UnplannedStop()


def witness(skid: SkidView) -> tuple[str, list[str]] | None:
    """(role, ids) of the flows that tell best whether water goes through, as for the mask of running."""
    for kind, role in FLOWS:
        found = [unit.id for unit in skid.of_type(kind) if unit.has(role)]
        if found and kind not in ("strainer", "weir_tank"):  # these are fed by the pad, whatever the skid does
            return role, found
    return None


def _signals(unit: UnitView, skid: SkidView, block: Block, s: StopState) -> Signals:
    found = witness(skid)
    assert found is not None
    role, ids = found
    flows = np.array([block.clean(name, role) for name in ids])
    flow = np.nansum(flows, axis=0)
    known = np.isfinite(flows).any(axis=0)
    volts = block.clean(unit.id, "supply_voltage")
    washing = np.any([np.zeros(len(block), dtype=np.bool_), *block.washing.values()], axis=0)
    moves = known & ((flow > flow_low(skid)) | washing)
    usual = forward(np.where(moves, volts, np.nan), s.volts)
    reasons = {
        "power": volts < SAG * usual,
        "no-feed": _no_feed(skid, block, moves, s),
        "downstream-full": _level(skid, block, full=True),
        "operator": _by_hand(unit, block, s),
    }
    return Signals(flow, known, moves, block.clean(unit.id, "running"), reasons)


def _no_feed(skid: SkidView, block: Block, moves: Mask, s: StopState) -> Mask:
    """The tank before the pump is nearly empty, or the feed had gone some time before the flow did."""
    empty = _level(skid, block, full=False)
    feed = _feed(skid, block)
    if feed is None:
        return empty
    fed = _last(block, feed > flow_low(skid), s.fed)
    flowed = _last(block, moves, s.ran)
    with np.errstate(invalid="ignore"):  # neither has ever been seen: −inf less −inf
        starved = flowed - fed >= STARVED
    return empty | (np.isfinite(feed) & starved)


def _feed(skid: SkidView, block: Block) -> F64 | None:
    for kind, role in (("strainer", "flow"), ("weir_tank", "inlet_flow")):
        for unit in skid.of_type(kind):
            if unit.has(role):
                return block.clean(unit.id, role)
    return None


def _level(skid: SkidView, block: Block, *, full: bool) -> Mask:
    """A tank on the way of the water is nearly full behind the pump, or nearly empty before it."""
    mask = np.zeros(len(block), dtype=np.bool_)
    pumps = skid.of_type("feed_pump")
    for tank in (*skid.of_type("weir_tank"), *skid.of_type("buffer_tank")):
        if not tank.has("level"):
            continue
        before = not pumps or any(pump.id in skid.after(tank.id) for pump in pumps)
        ends, level = ends_of(tank), block.clean(tank.id, "level")
        if full and (not before or tank.type.name == "buffer_tank"):
            mask |= level > min(ends.full - LEVEL * ends.span, ends.high or ends.full)
        if not full and before:
            mask |= level < ends.empty + LEVEL * ends.span
    return mask


def _words(unit: UnitView) -> list[int]:
    named = unit.instruments["mode"].states or {} if unit.has("mode") else {}
    return [code for code, word in named.items() if any(part in word.lower() for part in BY_HAND)]


def _mode(unit: UnitView, block: Block, s: StopState) -> F64:
    return forward(block.clean(unit.id, "mode"), s.mode)


def _by_hand(unit: UnitView, block: Block, s: StopState) -> Mask:
    return np.isin(_mode(unit, block, s), _words(unit))


def _automatic(unit: UnitView, block: Block, s: StopState) -> Mask:
    """Its mode is known, has words for being worked by hand, and is none of them."""
    mode = _mode(unit, block, s)
    return np.isfinite(mode) & ~np.isin(mode, _words(unit)) & bool(_words(unit))


def _last(block: Block, where: Mask, before: int | None) -> F64:
    """Latest minute at or before each at which it was so; -inf where never."""
    return forward(np.where(where, block.minutes, np.nan), -np.inf if before is None else float(before))


def _for_minutes(block: Block, moves: Mask, ran: int | None) -> F64:
    """For how many minutes it has stood since it last ran; 0 where it was never seen to run."""
    moving = _last(block, moves, ran)
    return np.where(np.isfinite(moving), block.minutes - moving, 0.0)


def _remember(s: StopState, skid: SkidView, block: Block, signals: Signals) -> None:
    low = flow_low(skid)
    ran = _last(block, signals.moves, s.ran)[-1]
    s.ran = int(ran) if np.isfinite(ran) else None
    feed = _feed(skid, block)
    fed = -np.inf if feed is None else _last(block, feed > low, s.fed)[-1]
    s.fed = int(fed) if np.isfinite(fed) else s.fed
    unit = skid.of_type("skid")[0]
    volts = forward(np.where(signals.moves, block.clean(unit.id, "supply_voltage"), np.nan), s.volts)[-1]
    s.volts = float(volts) if np.isfinite(volts) else None
    mode = _mode(unit, block, s)[-1]
    s.mode = float(mode) if np.isfinite(mode) else None


def _draft(unit: UnitView, skid: SkidView, block: Block, signals: Signals, i: int, onset: int) -> Draft:
    cause = next((name for name, mask in signals.reasons.items() if mask[i]), "unknown")
    role, ids = next(pair for pair in [witness(skid)] if pair)
    low = flow_low(skid)
    first = skid.by_id[ids[0]]
    numbers: list[Number] = [
        number(first, role, "flow", float(signals.flow[i])),
        number(first, role, "flow_low", low),
        plain("stood_still", float(block.minutes[i] - onset + 1), "min"),
    ]
    volts = block.clean(unit.id, "supply_voltage")[i]
    if np.isfinite(volts):
        numbers.append(number(unit, "supply_voltage", "supply_voltage", float(volts)))
    for tank in (*skid.of_type("weir_tank"), *skid.of_type("buffer_tank")):
        level = block.clean(tank.id, "level")[i] if tank.has("level") else np.nan
        if np.isfinite(level):
            numbers.append(number(tank, "level", f"level_{tank.id}", float(level)))
    told = {"power": "loss of power", "no-feed": "no feed", "downstream-full": "a full tank downstream"}
    return Draft(
        minute=int(block.minutes[i]),
        kind="unplanned-stop",
        run_key=str(onset),
        onset=onset,
        severity="low" if cause == "operator" else "medium" if signals.says[i] == 0 else "high",
        confidence=0.9 if cause != "unknown" else 0.7,
        unit=unit.id,
        cause=cause,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(
            *(RuledOut(what=what, why="its signals do not say so") for name, what in told.items() if name != cause),
            RuledOut(what="a wash", why="no filter is being washed"),
        ),
        first_step=STEP,
    )
