"""What a bed lets through: breakthrough, channels, a failed underdrain (docs/detectors/filter_quality.md).

A low drop is no good news by itself. The bed's resistance, the drop over flow and viscosity, is compared with what a
clean bed of this filter has. The water behind is compared with that behind the filters beside it, which take the same
water, or with the oil that arrives: what the bed passes of it, not how good the water is.
"""

from __future__ import annotations

from statistics import median, median_high
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
FRESH: Final = 6  # parts (1 h of service) after a wash in which a bed is clean
WASHES: Final = 3  # so many of which tell what clean is
BROKEN: Final = 1.7  # times the share that usually passes
RISEN: Final = 1.4  # times that of EARLIER parts before: a bed breaks through in hours, an analyser drifts for days
EARLIER: Final = 18  # parts: 3 h
SPENT: Final = 0.95  # of the terminal drop, from which the drop ends the run anyway
CHANNEL: Final = 0.85  # of the clean resistance
FELL: Final = 0.93  # of the most that it resisted before, in EARLIER parts: between washes it can only rise
LEAKS: Final = 1.3  # times the share that usually passes
COLLAPSE: Final = 0.6  # of the resistance half an hour before
BACK: Final = 1.2  # times the usual share at which it is over
SLUG: Final = 1.5  # times the usual oil that arrives
KEPT: Final = 72  # parts: 12 h of service
AFTER: Final = {"breakthrough": 21, "channelling": 61, "underdrain-failure": 11}
STEPS: Final = {
    "breakthrough": "Suggest a backwash, and a sample behind the filter, per site procedure.",
    "channelling": "Suggest inspecting the media; do not read the low drop as good; per site procedure.",
    "underdrain-failure": "Suggest taking the filter out and looking for media downstream, per site procedure.",
}


class Seen(BaseModel):
    """One part: last minute, resistance (kPa h/m³ at 25 °C), quality behind, oil before, drop over terminal.

    ``share``: quality over that of the filters beside it, over the oil before it, or alone, whatever there is.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    minute: int
    resistance: float
    quality: float
    before: float | None
    spent: float
    share: float


class Usual(BaseModel):
    """Of the learnt parts: the medians of quality, oil before and share."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    quality: float
    before: float | None
    share: float


class QualityState(State):
    """Minutes of the part under way; learnt parts; what is usual; kept parts; last minute of a wash.

    ``fresh``: resistances since that wash; ``cleans``: their medians after each of the first washes.
    """

    rest: Rows = ()
    learning: tuple[Seen, ...] = ()
    usual: Usual | None = None
    kept: tuple[Seen, ...] = ()
    washed: int | None = None
    fresh: tuple[float, ...] = ()
    cleans: tuple[float, ...] = ()
    by: dict[str, Episode] = Field(default_factory=dict)


class FilterQuality:
    """Kinds ``breakthrough``, ``channelling`` and ``underdrain-failure`` of a media filter."""

    name: ClassVar[str] = "filter_quality"
    version: ClassVar[int] = 2
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
        said_at: dict[int, tuple[tuple[Seen, ...], Usual, float | None, float]] = {}
        for part in ended:
            i = part.end - int(block.minutes[0])
            if washed[i] != s.washed:
                s.washed, s.fresh = washed[i], ()
            _take(s, part)
            if s.usual is None or not s.kept:
                continue
            clean = median_high(s.cleans) if s.cleans else None  # a single low one is a channel, not a cleaner bed
            since = _since(s)
            said_at[i] = s.kept, s.usual, clean, _fall(since)
            for kind in STEPS:
                masks[kind, "on"][i] = _holds(kind, s, since, s.usual, clean)
                masks[kind, "off"][i] |= s.kept[-1].share < BACK * s.usual.share
        if washed[-1] != s.washed:
            s.washed, s.fresh = washed[-1], ()
        s.by, drafts = dict(s.by), list[Draft]()
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
    share = quality / _reference(unit, skid, block, role, before)
    usable &= np.isfinite(share)
    return [resistance, quality, before, drop / unit.limits["dp_terminal"], share], usable


def _reference(unit: UnitView, skid: SkidView, block: Block, role: str, before: F64) -> F64:
    """What the water behind is measured by: that behind the filters beside it, else the oil that arrives, else 1."""
    beside = [
        u for u in skid.of_type(unit.type.name) if u.id != unit.id and u.upstream == unit.upstream and u.has(role)
    ]
    if beside:
        table = np.array([block.clean(other.id, role) for other in beside])
        middle = np.nanmedian(np.where(np.isfinite(table).any(axis=0), table, 1.0), axis=0)
        return np.where(np.isfinite(table).any(axis=0) & (middle > 0), middle, np.nan)
    if role == "outlet_oil" and any(skid.by_id[name].has("outlet_oil") for name in skid.before(unit.id)):
        return np.where(before > 0, before, np.nan)
    return np.ones(len(block))


def _take(s: QualityState, part: Part) -> None:
    resistance, quality, before, spent, share = part.middle
    assert resistance is not None
    assert quality is not None
    assert spent is not None
    assert share is not None
    now = Seen(minute=part.end, resistance=resistance, quality=quality, before=before, spent=spent, share=share)
    if s.washed is not None and len(s.fresh) < FRESH and len(s.cleans) < WASHES and resistance > 0.0:
        s.fresh = (*s.fresh, resistance)  # a bed that resists nothing is no clean one: its drop is not read
        if len(s.fresh) == FRESH:
            s.cleans = (*s.cleans, median(s.fresh))
    if s.usual is None and resistance > 0.0:
        s.learning = (*s.learning, now)
        if len(s.learning) == LEARN:
            known = [p.before for p in s.learning if p.before is not None]
            s.usual = Usual(
                quality=median(p.quality for p in s.learning),
                before=median(known) if known else None,
                share=median(p.share for p in s.learning),
            )
            s.learning = ()
    s.kept = (*s.kept, now)[-KEPT:]


def _holds(kind: str, s: QualityState, since: list[Seen], usual: Usual, clean: float | None) -> bool:
    """``clean``: resistance of a clean bed, None until one was seen: a run's lowest is no measure of it."""
    now = s.kept[-1]
    falls = _fall(since) < FELL
    lowest = CHANNEL * (clean or 0.0)
    if kind == "breakthrough":
        earlier = [p.share for p in since[: -EARLIER + 3]]
        if not earlier or now.share < max(RISEN * median(earlier), BROKEN * usual.share):
            return False
        return now.spent < SPENT and now.resistance > lowest and not falls
    if kind == "channelling":
        leaks = now.share > LEAKS * min(_smooth([p.share for p in since]), default=now.share)
        return now.share > LEAKS * usual.share and ((falls and leaks) or now.resistance < lowest)
    before = [p.resistance for p in s.kept[-6:-2] if p.minute > max(s.washed or 0, now.minute - 90)]
    return len(before) >= 2 and now.resistance < COLLAPSE * median(before) and now.share > LEAKS * usual.share


def _since(s: QualityState) -> list[Seen]:
    """Parts of the last three hours and a half that lie after the last wash."""
    return [p for p in s.kept[-EARLIER - 3 :] if p.minute >= (s.washed or 0)]


def _fall(since: list[Seen]) -> float:
    """The least that the bed came to resist, of the most before: a channel opens, and what is left of it fouls on."""
    course = np.array(_smooth([p.resistance for p in since]))
    most = np.maximum.accumulate(course)
    return float(np.min(course[most > 0.0] / most[most > 0.0], initial=1.0))


def _smooth(values: list[float]) -> list[float]:
    """Medians of each three in a row."""
    return [median(three) for three in zip(values, values[1:], values[2:], strict=False)]


def _draft(
    unit: UnitView, kind: str, onset: int, kept: tuple[Seen, ...], usual: Usual, clean: float | None, fall: float
) -> Draft:
    now = kept[-1]
    role = _quality(unit)
    assert role is not None
    oil = usual.before
    slug = oil is not None and any(p.before is not None and p.before > SLUG * oil for p in kept[-24:])
    cause = ("oil-slug" if slug else "fouling") if kind == "breakthrough" else None
    numbers = [
        number(unit, role, role, now.quality),
        number(unit, role, f"{role}_usual", usual.quality),
        plain("passes_times_usual", now.share / usual.share),
        *([] if clean is None else [plain("resistance_over_clean", now.resistance / clean)]),
        number(unit, "dp", "dp", now.spent * unit.limits["dp_terminal"], difference=True),
    ]
    if now.before is not None:
        numbers.append(plain("oil_before", now.before, "mg/L"))
    bed = f"for three hours it came to no less than {fall:.2f} of what it resisted before"
    if clean is not None:
        bed = f"the bed resists {now.resistance / clean:.1f} times as much as a clean one"
    channel = f"it came to {fall:.2f} of what it resisted within three hours, and lets more through"
    if clean is not None and now.resistance < CHANNEL * clean:
        channel = f"it resists {now.resistance / clean:.2f} of a clean one, and lets more through"
    ruled_out = {
        "breakthrough": (
            RuledOut(what="a drifting analyser", why="it rose within hours, and an analyser fouls for days"),
            RuledOut(what="a channel", why=bed),
        ),
        "channelling": (
            RuledOut(what="a clean bed", why=channel),
            RuledOut(what="worse water", why="measured by the filters beside it, or by the oil that arrives"),
        ),
        "underdrain-failure": (RuledOut(what="a wash", why="no wash was on, and the water behind it is worse"),),
    }[kind]
    minutes = [p.minute for p in kept]
    return Draft(
        minute=now.minute,
        kind=kind,
        run_key=str(onset),
        onset=onset,
        severity="high" if kind == "underdrain-failure" or now.share > 4.0 * usual.share else "medium",
        confidence=0.75,
        unit=unit.id,
        cause=cause,
        evidence=Evidence(
            numbers=tuple(numbers), traces=(trace(unit, role, role, minutes, [p.quality for p in kept]),)
        ),
        ruled_out=ruled_out,
        first_step=STEPS[kind],
    )
