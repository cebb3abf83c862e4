"""A reading that has become noisy while the others have not (docs/detectors/sensor_noisy.md)."""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import ClassVar, Final

from pydantic import BaseModel, ConfigDict, Field

from analytics.bins import Part, Rows, parts
from analytics.cleaning import RESOLUTION
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.evidence import number, plain
from analytics.frame import Block
from analytics.scatter import restless, span_of, within
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
PART: Final = 30  # minutes
ENOUGH: Final = 15
LEARN: Final = 24  # parts (12 h of service) whose median is usual
TIMES: Final = 4.0  # the usual
BACK: Final = 2.0
IN_A_ROW: Final = 4  # parts, to open and to close
OTHERS: Final = 2.0  # times their usual from which another reading of the unit is noisy too
SHARE: Final = 0.5  # of the others that may be: more is the process, not the instrument
STEP: Final = "Suggest checking wiring, grounding and damping of the transmitter, per site procedure."


class Noise(BaseModel):
    """Memory of one reading: standard deviations within minutes, in the role's unit."""

    model_config = ConfigDict(extra="forbid")

    learning: tuple[float, ...] = ()
    usual: float | None = None
    loud: int = 0
    quiet: int = 0
    told: Draft | None = None


class NoisyState(State):
    """``rest``: minutes of the part under way, a figure a reading."""

    rest: Rows = ()
    noise: dict[str, Noise] = Field(default_factory=dict)


class SensorNoisy:
    """Kind ``sensor-noisy`` of any instrument that gives several samples a minute."""

    name: ClassVar[str] = "sensor_noisy"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"sensor-noisy"})
    unit_type: ClassVar[str] = "*"
    state: ClassVar[type[State]] = NoisyState
    learns: ClassVar[Learns] = Learns(roles=frozenset({"*"}))

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Periodic readings with a range."""
        return Coverage(self.kinds if restless(unit, skid) else frozenset())

    def start(self, unit: UnitView, skid: SkidView) -> NoisyState:  # noqa: ARG002
        """Nothing learnt."""
        return NoisyState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Medians of half an hour in service."""
        assert isinstance(state, NoisyState)
        roles = restless(unit, skid)
        columns = [within(block, unit, role) for role in roles]
        usable = block.running & ~block.settling
        rest, ended = parts(state.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        noise, drafts = dict(state.noise), list[Draft]()
        for part in ended:
            drafts += _judge(unit, roles, part, noise)
        return NoisyState(rest=rest, noise=noise), drafts

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """Of the readings that come often enough, the one that is least far."""
        assert isinstance(state, NoisyState)
        parts_left = [len(n.learning) for n in state.noise.values() if n.usual is None]
        return Progress(min(parts_left) * PART / 60, LEARN * PART / 60) if parts_left else None


PLUGIN = SensorNoisy()


def _judge(unit: UnitView, roles: list[str], part: Part, noise: dict[str, Noise]) -> list[Draft]:
    times: dict[str, float] = {}
    for role, now in zip(roles, part.middle, strict=True):
        if now is None:
            continue
        known = noise.get(role, Noise())
        now = max(now, RESOLUTION * span_of(unit, role))  # resolution alone can give so much
        if known.usual is not None:
            times[role] = now / known.usual
            continue
        learning = (*known.learning, now)
        done = len(learning) == LEARN
        noise[role] = Noise(learning=() if done else learning, usual=median(learning) if done else None)
    drafts = []
    for role, ratio in times.items():
        others = [r for name, r in times.items() if name != role]
        alone = sum(r > OTHERS for r in others) <= SHARE * len(others)
        noise[role], said = _watch(unit, role, noise[role], ratio, part.end, others if alone else None)
        drafts += said
    return drafts


def _watch(
    unit: UnitView, role: str, known: Noise, ratio: float, minute: int, others: list[float] | None
) -> tuple[Noise, list[Draft]]:
    loud = known.loud + 1 if ratio > TIMES and others is not None else 0
    quiet = known.quiet + 1 if ratio < BACK else 0
    told, drafts = known.told, list[Draft]()
    if told is None and loud >= IN_A_ROW:
        told = _draft(unit, role, known, ratio, minute, others or [])
        drafts = [told]
    elif told is not None and quiet >= IN_A_ROW:
        drafts = [replace(told, minute=minute, ended=max(told.onset, minute + 1 - IN_A_ROW * PART))]
        told = None
    return known.model_copy(update={"loud": loud, "quiet": quiet, "told": told}), drafts


def _draft(unit: UnitView, role: str, known: Noise, ratio: float, minute: int, others: list[float]) -> Draft:
    assert known.usual is not None
    onset = minute + 1 - IN_A_ROW * PART
    quietest = (
        f"the unit's other readings are at {max(others):.1f} times their usual or less" if others else "it is alone"
    )
    return Draft(
        minute=minute,
        kind="sensor-noisy",
        run_key=str(onset),
        onset=onset,
        severity="low",
        confidence=0.8,
        unit=unit.tags[role],
        evidence=Evidence(
            numbers=(
                number(unit, role, "noise", ratio * known.usual, difference=True),
                number(unit, role, "noise_usual", known.usual, difference=True),
                plain("times_usual", ratio),
            )
        ),
        ruled_out=(RuledOut(what="a restless process", why=quietest),),
        first_step=STEP,
    )
