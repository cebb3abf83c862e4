"""What a bed lets through: breakthrough, channels, a failed underdrain (docs/detectors/filter_quality.md).

A low drop is no good news by itself. The bed's resistance, the drop over flow and viscosity, is compared with what a
clean bed of this filter has, and the water behind it with what it usually is.
"""

from __future__ import annotations

from statistics import median
from typing import ClassVar, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from analytics.bins import Part, Rows, latest, parts
from analytics.conditions import water_at
from analytics.detectors.base import Coverage, Draft, Learns, Progress, State
from analytics.episodes import Episode, never, ordered, watch
from analytics.evidence import number, plain, trace
from analytics.frame import F64, Block, Mask
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Evidence, RuledOut

# Common practice, no source.
PART: Final = 10  # minutes
ENOUGH: Final = 5
LEARN: Final = 144  # parts (24 h of service) that tell what is usual
CLEAN: Final = 0.1  # quantile of the resistance that a clean bed has
BROKEN: Final = 2.0  # times the usual quality
RISEN: Final = 1.6  # times that of EARLIER parts before: a bed breaks through in hours, an analyser drifts for days
EARLIER: Final = 12  # parts: 2 h
SPENT: Final = 0.95  # of the terminal drop, from which the drop ends the run anyway
CHANNEL: Final = 0.85  # of the clean resistance
LEAKS: Final = 1.3  # times the usual quality
COLLAPSE: Final = 0.6  # of the resistance half an hour before
BACK: Final = 1.2  # times the usual quality at which it is over
SLUG: Final = 1.5  # times the usual oil that arrives
KEPT: Final = 72  # parts: 12 h of service
AFTER: Final = {"breakthrough": 21, "channelling": 61, "underdrain-failure": 11}
STEPS: Final = {
    "breakthrough": "Suggest a backwash, and a sample behind the filter, per site procedure.",
    "channelling": "Suggest inspecting the media; do not read the low drop as good; per site procedure.",
    "underdrain-failure": "Suggest taking the filter out and looking for media downstream, per site procedure.",
}


class Seen(BaseModel):
    """One part: last minute, resistance (kPa h/m³ at 25 °C), quality behind, oil before, drop over terminal."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    resistance: float
    quality: float
    before: float | None
    spent: float


class QualityState(State):
    """Minutes of the part under way; learnt parts; the usual (clean resistance, quality, oil before); kept parts."""

    rest: Rows = ()
    learning: tuple[Seen, ...] = ()
    usual: tuple[float, float, float | None] | None = None
    kept: tuple[Seen, ...] = ()
    washed: int | None = None
    by: dict[str, Episode] = Field(default_factory=dict)


class FilterQuality:
    """Kinds ``breakthrough``, ``channelling`` and ``underdrain-failure`` of a media filter."""

    name: ClassVar[str] = "filter_quality"
    version: ClassVar[int] = 1
    kinds: ClassVar[frozenset[str]] = frozenset({"breakthrough", "channelling", "underdrain-failure"})
    unit_type: ClassVar[str] = "media_filter"
    state: ClassVar[type[State]] = QualityState
    learns: ClassVar[Learns] = Learns(
        parts=frozenset({"media"}), roles=frozenset({"dp", "flow", "outlet_oil", "outlet_turbidity"})
    )

    def needs(self, unit: UnitView, skid: SkidView) -> Coverage:
        """Drop, flow and the quality of the water behind."""
        missing = [role for role in ("dp", "flow") if not unit.has(role)]
        if _quality(unit) is None:
            missing.append("outlet_oil or outlet_turbidity")
        if missing:
            return Coverage(frozenset(), missing=tuple(missing))
        weaker = [] if unit.has("backwash") else ["backwash: a failed underdrain looks like a wash"]
        if water_at(unit, skid).tag is None:
            weaker.append("temperature: warm water looks like a channel")
        return Coverage(self.kinds, weaker=tuple(weaker))

    def start(self, unit: UnitView, skid: SkidView) -> QualityState:  # noqa: ARG002
        """Nothing learnt."""
        return QualityState()

    def step(self, unit: UnitView, skid: SkidView, block: Block, state: State) -> tuple[State, list[Draft]]:
        """Medians of ten minutes in service."""
        assert isinstance(state, QualityState)
        s = state.model_copy()
        columns, usable = _columns(unit, skid, block)
        washing = block.washing.get(unit.id, never(block.minutes))
        washed = latest(block.minutes, washing, s.washed)
        s.rest, ended = parts(s.rest, block.minutes, columns, usable, size=PART, enough=ENOUGH)
        masks = {(kind, what): never(block.minutes) for kind in STEPS for what in ("on", "off")}
        for mask in (masks[kind, "off"] for kind in ("breakthrough", "underdrain-failure")):
            mask |= washing  # a wash ends the run, and what was said of it
        said_at: dict[int, tuple[tuple[Seen, ...], tuple[float, float, float | None]]] = {}
        for part in ended:
            i = part.end - int(block.minutes[0])
            s.washed = washed[i]
            _take(s, part)
            if s.usual is None or not s.kept:
                continue
            said_at[i] = s.kept, s.usual
            for kind in STEPS:
                masks[kind, "on"][i] = _holds(kind, s, s.usual)
                masks[kind, "off"][i] |= s.kept[-1].quality < BACK * s.usual[1]
        s.washed, s.by, drafts = washed[-1], dict(s.by), list[Draft]()
        for kind, after in AFTER.items():
            s.by[kind], said = watch(
                block.minutes, masks[kind, "on"], masks[kind, "off"], s.by.get(kind, Episode()), after=after, until=1,
                say=lambda i, onset, k=kind: _draft(unit, k, onset, *said_at[i]),  # type: ignore[misc]
            )  # fmt: skip
            drafts += said
        return s, ordered(drafts)

    def progress(self, unit: UnitView, state: State) -> Progress | None:  # noqa: ARG002
        """The clean bed and the usual water behind it."""
        assert isinstance(state, QualityState)
        return Progress(len(state.learning) * PART / 60, LEARN * PART / 60) if state.usual is None else None


PLUGIN = FilterQuality()


def _quality(unit: UnitView) -> str | None:
    return next((role for role in ("outlet_oil", "outlet_turbidity") if unit.has(role)), None)


def _columns(unit: UnitView, skid: SkidView, block: Block) -> tuple[list[F64], Mask]:
    role = _quality(unit)
    assert role is not None
    flow, drop, quality = (block.clean(unit.id, name) for name in ("flow", "dp", role))
    water = water_at(unit, skid)
    viscosity = water.viscosity_ratios(water.celsius(block))
    low = 0.3 * (skid.design_flow or 0.0) / max(len(skid.of_type("media_filter")), 1)
    usable = block.running & ~block.settling & (flow > max(low, 1e-9)) & np.isfinite(drop) & (quality > 0)
    resistance = drop / np.where(flow > 0, flow, np.nan) / viscosity
    before = np.full(len(block), np.nan)
    for name in skid.before(unit.id):
        if skid.by_id[name].has("outlet_oil"):
            before = block.clean(name, "outlet_oil")
            break
    return [resistance, quality, before, drop / unit.limits["dp_terminal"]], usable


def _take(s: QualityState, part: Part) -> None:
    resistance, quality, before, spent = part.middle
    assert resistance is not None
    assert quality is not None
    assert spent is not None
    now = Seen(minute=part.end, resistance=resistance, quality=quality, before=before, spent=spent)
    if s.usual is None:
        s.learning = (*s.learning, now)
        if len(s.learning) == LEARN:
            known = [p.before for p in s.learning if p.before is not None]
            clean = float(np.quantile([p.resistance for p in s.learning], CLEAN))
            s.usual = clean, median(p.quality for p in s.learning), median(known) if known else None
            s.learning = ()
    s.kept = (*s.kept, now)[-KEPT:]


def _holds(kind: str, s: QualityState, usual: tuple[float, float, float | None]) -> bool:
    now, (clean, quality, _) = s.kept[-1], usual
    if kind == "breakthrough":
        earlier = [p for p in s.kept[-EARLIER - 3 : -EARLIER + 3] if p.minute >= (s.washed or 0)]
        if not earlier or now.quality < RISEN * median(p.quality for p in earlier):
            return False
        whole = now.resistance > max(CHANNEL * clean, COLLAPSE * median(p.resistance for p in earlier))
        return now.quality > BROKEN * quality and now.spent < SPENT and whole
    if kind == "channelling":
        return now.resistance < CHANNEL * clean and now.quality > LEAKS * quality
    before = [p.resistance for p in s.kept[-6:-2] if p.minute > max(s.washed or 0, now.minute - 90)]
    return len(before) >= 2 and now.resistance < COLLAPSE * median(before) and now.quality > LEAKS * quality


def _draft(
    unit: UnitView, kind: str, onset: int, kept: tuple[Seen, ...], usual: tuple[float, float, float | None]
) -> Draft:
    now, (clean, quality, oil) = kept[-1], usual
    role = _quality(unit)
    assert role is not None
    slug = oil is not None and any(p.before is not None and p.before > SLUG * oil for p in kept[-2 * EARLIER :])
    cause = ("oil-slug" if slug else "fouling") if kind == "breakthrough" else None
    numbers = [
        number(unit, role, role, now.quality),
        number(unit, role, f"{role}_usual", quality),
        plain("resistance_over_clean", now.resistance / clean),
        number(unit, "dp", "dp", now.spent * unit.limits["dp_terminal"], difference=True),
    ]
    if now.before is not None:
        numbers.append(plain("oil_before", now.before, "mg/L"))
    share = now.resistance / clean
    ruled_out = {
        "breakthrough": (
            RuledOut(what="a drifting analyser", why="it rose within hours, and an analyser fouls for days"),
            RuledOut(what="a channel", why=f"the bed resists {share:.1f} times as much as a clean one"),
        ),
        "channelling": (
            RuledOut(what="a clean bed", why=f"it resists {share:.2f} of a clean one, and lets more through"),
        ),
        "underdrain-failure": (RuledOut(what="a wash", why="no wash was on, and the water behind it is worse"),),
    }[kind]
    minutes = [p.minute for p in kept]
    return Draft(
        minute=now.minute,
        kind=kind,
        run_key=str(onset),
        onset=onset,
        severity="high" if kind == "underdrain-failure" or now.quality > 4.0 * quality else "medium",
        confidence=0.75,
        unit=unit.id,
        cause=cause,
        evidence=Evidence(
            numbers=tuple(numbers), traces=(trace(unit, role, role, minutes, [p.quality for p in kept]),)
        ),
        ruled_out=ruled_out,
        first_step=STEPS[kind],
    )
