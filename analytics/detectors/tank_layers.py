"""A settling tank's layers: a thick oil pad, or a rag of emulsion (docs/detectors/tank_layers.md)."""

from __future__ import annotations

from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import Field

from analytics.bins import Part, Rows, parts
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, ordered, watch
from analytics.evidence import number, plain
from analytics.frame import F64, Block
from analytics.learnt import medians
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, Number, RuledOut

# Common practice, no source.
PART: Final = 15  # minutes
ENOUGH: Final = 8
LEARN: Final = 48  # parts that are usual: 12 h
LATELY: Final = 8  # parts, 2 h, whose median restlessness counts: much of it is the instrument's own noise
NOISY: Final = 1.15  # times the usual restlessness of the interface
CALM: Final = 1.05
LEVEL_CALM: Final = 1.10  # times its usual, up to which the surface has stayed quiet
GROWN: Final = 1.15  # times the usual pad
AFTER: Final = 61  # minutes
COLDER: Final = 3.0  # °C below the usual
STEPS: Final = {
    "oil-layer-high": "Suggest checking the skim and the oil line, per site procedure.",
    "rag-layer": "Suggest checking chemical, temperature and skim, and a sample of the interface, per site procedure.",
}
Middle = tuple[float | None, ...]


class LayerState(State):
    """Minutes of the part under way; parts that are learnt; the usual pad, restlessness of interface and level, °C.

    ``lately``: restlessness of interface and level in the last parts.
    """

    rest: Rows = ()
    learning: tuple[Middle, ...] = ()
    usual: Middle | None = None
    lately: tuple[tuple[float, float], ...] = ()
    by: dict[str, Episode] = Field(default_factory=dict)


class TankLayers:
    """Kinds ``oil-layer-high`` and ``rag-layer`` of a weir tank."""

    name: ClassVar[str] = "tank_layers"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"oil-layer-high", "rag-layer"})
    unit_type: ClassVar[str] = "weir_tank"
    state: ClassVar[type[State]] = LayerState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"level", "interface_level"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:  # noqa: ARG002
        """Surface and interface."""
        missing = tuple(role for role in ("level", "interface_level") if not unit.has(role))
        if missing:
            return Coverage(frozenset(), missing=missing)
        weaker = () if unit.has("skim_valve", "skim_flow") else ("skim_valve and skim_flow: a stuck skim is not told",)
        return Coverage(self.kinds, weaker=weaker)

    def start(self, unit: UnitView, skid: SkidView) -> LayerState:  # noqa: ARG002
        """Nothing learnt."""
        return LayerState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:  # noqa: ARG002
        """Medians of a quarter of an hour in service."""
        assert isinstance(state, LayerState)
        s = state.model_copy()
        level, interface = block.clean(unit.id, "level"), block.clean(unit.id, "interface_level")
        others = [block.clean(unit.id, role) for role in ("temperature", "skim_valve", "skim_flow")]
        columns = [
            level - interface,
            _restless(block, unit, "interface_level"),
            _restless(block, unit, "level"),
            *others,
        ]
        usable = block.running & ~block.settling & np.isfinite(level) & np.isfinite(interface)
        s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        masks = {(kind, what): never(block.minutes) for kind in STEPS for what in ("on", "off")}
        seen: dict[int, tuple[Middle, Middle | None]] = {}
        for part in ended:
            i = part.end - int(block.minutes[0])
            now = _lately(s, part.middle)
            seen[i] = now, s.usual
            for kind in STEPS:
                masks[kind, "on"][i], masks[kind, "off"][i] = _judge(unit, kind, now, s.usual)
            _learn(s, part)
        drafts, s.by = list[Draft](), dict(s.by)
        for kind in STEPS:
            s.by[kind], said = watch(
                block.minutes, masks[kind, "on"], masks[kind, "off"], s.by.get(kind, Episode()),
                after=AFTER, until=AFTER,
                say=lambda i, onset, k=kind: _draft(unit, int(block.minutes[i]), onset, k, *seen[i]),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return s, ordered(drafts)

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """The usual pad and restlessness."""
        assert isinstance(state, LayerState)
        return Progress(len(state.learning) * PART / 60, LEARN * PART / 60) if state.usual is None else None


PLUGIN = TankLayers()


def _restless(block: Block, unit: UnitView, role: str) -> F64:
    channel = block.get(unit.id, role)
    assert channel is not None
    return np.where(channel.usable, channel.std, np.nan)


def _lately(s: LayerState, now: Middle) -> Middle:
    """The part with the restlessness of the last two hours instead of its own."""
    pad, interface, surface, *others = now
    if interface is not None and surface is not None:
        s.lately = (*s.lately, (interface, surface))[-LATELY:]
    if not s.lately:
        return now
    return pad, median(i for i, _ in s.lately), median(level for _, level in s.lately), *others


def _learn(s: LayerState, part: Part) -> None:
    if s.usual is None:
        s.learning = (*s.learning, part.middle)
        if len(s.learning) == LEARN:
            s.usual, s.learning = medians(s.learning), ()


def _judge(unit: UnitView, kind: str, now: Middle, usual: Middle | None) -> tuple[bool, bool]:
    """(does it hold, is it certainly gone)."""
    pad = now[0]
    assert pad is not None
    if kind == "oil-layer-high":
        limit = unit.limits["oil_layer_high"]
        return pad > limit, pad < 0.9 * limit
    if usual is None or not (now[1] and usual[1] and usual[0]):
        return False, False
    noisy, surface = now[1] / usual[1], (now[2] or 0.0) / (usual[2] or np.inf)
    grown = pad > GROWN * usual[0]
    return noisy > NOISY and surface < LEVEL_CALM and grown, noisy < CALM


def _draft(unit: UnitView, minute: int, onset: int, kind: str, now: Middle, usual: Middle | None) -> Draft:
    pad, noise, _, celsius, valve, skim = now
    assert pad is not None
    numbers: list[Number] = [number(unit, "level", "oil_pad", pad, difference=True)]
    cause: str | None = None
    if usual is not None and usual[0] is not None:
        numbers.append(number(unit, "level", "oil_pad_usual", usual[0], difference=True))
    if kind == "oil-layer-high":
        numbers.append(number(unit, "level", "oil_pad_limit", unit.limits["oil_layer_high"], difference=True))
        if valve is not None and skim is not None:
            cause = "stuck-skim" if valve > 0.5 and skim < 0.01 else None
            numbers.append(number(unit, "skim_flow", "skim_flow", skim))
        ruled_out = RuledOut(what="an emulsion", why="the interface is not restless")
    else:
        assert usual is not None
        assert noise is not None
        assert usual[1] is not None
        colder = celsius is not None and usual[3] is not None and usual[3] - celsius > COLDER
        cause = "cold-feed" if colder else "emulsion"
        numbers.append(plain("interface_noise_times_usual", noise / usual[1]))
        if celsius is not None:
            numbers.append(number(unit, "temperature", "temperature", celsius))
        ruled_out = RuledOut(what="waves", why="the surface is as quiet as usual")
    return Draft(
        minute=minute,
        kind=kind,
        run_key=str(onset),
        onset=onset,
        severity="medium",
        confidence=0.75,
        unit=unit.id,
        cause=cause,
        evidence=Evidence(numbers=tuple(numbers)),
        ruled_out=(ruled_out,),
        first_step=STEPS[kind],
    )
