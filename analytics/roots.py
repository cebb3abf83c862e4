"""Which finding causes which: upstream trouble explains what follows downstream in the water's travel time.

A link goes from a finding to one on the same unit or further down whose onset lies between the root's
own (less a little, for onsets are estimates) and the root's end plus the travel time. Rules lead from kinds
of less depth to kinds of more, so a root comes before all that it explains, and chains end and cannot loop;
every finding points at the far end of its chain.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final
from uuid import UUID

from skidhand.fleet import SkidView
from skidhand.model.finding import Finding
from skidhand.model.kinds import KINDS

SLACK: Final = timedelta(minutes=30)  # by which an effect's dated onset may lie before its root's
MEMORY: Final = timedelta(hours=12)  # how long after its end a finding may still be explained or explain


@dataclass(frozen=True, slots=True)
class Rule:
    """``cause`` may be the root of ``effect`` (with one of ``causes``, or any where None) downstream.

    ``travel``: how long after the root's end its effect may still begin. Minutes to hours, by residence
    times of tanks and beds; common practice, no source. ``slack``: by which the effect may be dated before its root.
    """

    cause: str
    effect: str
    travel: timedelta
    causes: frozenset[str | None] | None = None
    slack: timedelta = SLACK


_HOURS: Final = timedelta(hours=3)
_SLUG: Final = frozenset({"oil-slug"})
_BY_TRADE: Final = (
    Rule("oil-carry-over", "split-drift", timedelta(hours=1), frozenset({None, "gas", "low-inlet-flow"})),
    Rule("oil-carry-over", "cyclone-efficiency-loss", timedelta(hours=1), frozenset({None, "upstream-shear"})),
    Rule("oil-carry-over", "dp-rise", timedelta(hours=6), _SLUG),
    Rule("oil-carry-over", "breakthrough", timedelta(hours=6), _SLUG),
    Rule("oil-carry-over", "off-spec", timedelta(hours=3)),
    Rule("oil-carry-over", "spec-at-risk", timedelta(hours=3)),
    Rule("oil-layer-high", "oil-carry-over", timedelta(hours=1), frozenset({"stuck-skim", None})),
    Rule("rag-layer", "oil-carry-over", timedelta(hours=1), frozenset({"emulsion", "cold-feed", None})),
    # Water from an emulsion carries droplets that are too fine for a cyclone.
    # They are seen hours before the layer between oil and water is thick enough to be dated.
    Rule("rag-layer", "cyclone-efficiency-loss", timedelta(hours=3), frozenset({None, "upstream-shear"}), _HOURS),
    Rule("split-drift", "cyclone-efficiency-loss", timedelta(hours=3)),
    Rule("split-drift", "dp-rise", timedelta(hours=6), _SLUG),
    Rule("split-drift", "breakthrough", timedelta(hours=6), _SLUG),
    Rule("split-drift", "off-spec", timedelta(hours=3)),
    Rule("cyclone-efficiency-loss", "dp-rise", timedelta(hours=6), _SLUG),
    Rule("cyclone-efficiency-loss", "breakthrough", timedelta(hours=6), _SLUG),
    Rule("cyclone-efficiency-loss", "off-spec", timedelta(hours=3)),
    Rule("breakthrough", "off-spec", timedelta(hours=2)),
    Rule("channelling", "breakthrough", timedelta(hours=6)),
    Rule("channelling", "off-spec", timedelta(hours=2)),
    Rule("strainer-blinding", "dry-running", timedelta(hours=1)),
    Rule("gas-lost", "off-spec", timedelta(hours=2)),
    Rule("sensor-drift", "off-spec", timedelta(hours=6)),
    Rule("sensor-drift", "spec-at-risk", timedelta(hours=6)),
    # A cyclone is known by its own instruments.
    Rule("sensor-drift", "split-drift", timedelta(hours=1), slack=timedelta(hours=12)),
    Rule("sensor-drift", "cyclone-efficiency-loss", timedelta(hours=1), frozenset({"liner-wear"})),
    # What a bed passes is known by the analyser behind it alone.
    Rule("sensor-drift", "breakthrough", timedelta(hours=6)),
    Rule("sensor-drift", "channelling", timedelta(hours=6)),
    Rule("oil-carry-over", "tank-filling", timedelta(hours=1)),
    Rule("unplanned-stop", "tank-filling", timedelta(hours=6)),
    Rule("unplanned-stop", "freeze-risk", timedelta(hours=12)),
    # What delivers nothing lets the tank behind it run empty.
    Rule("unplanned-stop", "tank-emptying", timedelta(hours=6)),
    Rule("too-salty-for-ro", "tank-emptying", timedelta(hours=6)),
    Rule("too-salty-for-ro", "sensor-out-of-range", timedelta(hours=1)),
    Rule("scale-change", "sensor-out-of-range", timedelta(hours=1)),
    # A clock that jumps ahead leaves minutes for which nothing is stamped.
    Rule("clock-jump", "no-data", timedelta(hours=1)),
    # A pump that moves no water stops the skid, and what is measured in standing water means nothing.
    Rule("dry-running", "unplanned-stop", timedelta(hours=1)),
    Rule("dry-running", "sensor-out-of-range", timedelta(hours=1)),
    Rule("unplanned-stop", "sensor-out-of-range", timedelta(hours=1)),
    Rule("backwash-missed", "sensor-out-of-range", timedelta(hours=1)),
    Rule("backwash-stuck", "sensor-out-of-range", timedelta(hours=1)),
    # Where salt is not known well, the flow that the membrane should give is not either.
    Rule("too-salty-for-ro", "membrane-fouling", timedelta(hours=1)),
)
_NAMED: Final = frozenset(KINDS) - {"unusual-pattern", "dp-rise", "chemical-low", "spec-at-risk"}
"""Kinds that explain why readings do not fit each other; what only goes its usual way does not."""
_HALF_DAY: Final = timedelta(hours=12)  # hours that make a pattern, and those in which a bed or a tank remembers
RULES: Final = (
    *_BY_TRADE,
    *(Rule(kind, "unusual-pattern", _HALF_DAY, slack=timedelta(hours=6)) for kind in sorted(_NAMED)),
)
_BY_KINDS: Final = {
    (r.cause, r.effect): [x for x in RULES if (x.cause, x.effect) == (r.cause, r.effect)] for r in RULES
}


def roots(findings: Iterable[Finding], skid: SkidView) -> Mapping[UUID, UUID | None]:
    """The root of each finding, None where nothing explains it; superseded findings take no part."""
    known = sorted(
        (f for f in findings if f.state != "superseded"),
        key=lambda f: (_DEPTH.get(f.kind, 0), f.onset, f.kind, str(f.id)),
    )
    found: dict[UUID, UUID | None] = {}
    for i, effect in enumerate(known):
        causes = [root for root in known[:i] if _explains(root, effect, skid)]
        # The latest onset that fits is the nearest cause; its own root is the end of the chain.
        nearest = max(causes, key=lambda f: (_shown(f, effect, skid), f.onset, str(f.id)), default=None)
        found[effect.id] = None if nearest is None else (found[nearest.id] or nearest.id)
    return found


def _shown(root: Finding, effect: Finding, skid: SkidView) -> int:
    """Of several that may explain an odd pattern, what is about the instrument that makes it first, then its unit's."""
    tags = [n.tag for n in effect.evidence.numbers if n.tag is not None]
    if effect.kind != "unusual-pattern" or not tags:
        return 0
    unit = skid.by_id.get(root.unit)
    return 2 if root.unit == tags[0] else 1 if unit is not None and tags[0] in unit.tags.values() else 0


def _explains(root: Finding, effect: Finding, skid: SkidView) -> bool:
    if (root.kind, effect.kind) not in _BY_KINDS or not _reaches(root.unit, effect.unit, skid):
        return False
    for rule in _BY_KINDS[root.kind, effect.kind]:
        if rule.causes is not None and effect.cause not in rule.causes:
            return False
        in_time = effect.ended is None or root.detected <= effect.ended + MEMORY
        until = None if root.ended is None else root.ended + rule.travel
        return root.onset - rule.slack <= effect.onset and (until is None or effect.onset <= until) and in_time
    return False


def _reaches(root: str, effect: str, skid: SkidView) -> bool:
    """The root's unit is the effect's own, upstream of it or the skid; or one is an instrument that the other reads.

    What stops the whole skid has its root on the pump, wherever the skid stands in the file.
    """
    if root == effect:
        return True
    if root not in skid.by_id:
        unit = skid.by_id.get(effect)
        return unit is not None and (unit.type.name == "skid" or root in unit.tags.values())
    if effect not in skid.by_id:
        return any(effect in unit.tags.values() and _reaches(root, unit.id, skid) for unit in skid.units)
    ends = {skid.by_id[root].type.name, skid.by_id[effect].type.name}
    return "skid" in ends or effect in skid.after(root)


def _depths() -> dict[str, int]:
    """How many rules can lead to each kind: a cause always has a smaller number than its effect."""
    depth: dict[str, int] = {}
    for _ in RULES:
        for rule in RULES:
            depth[rule.effect] = max(depth.get(rule.effect, 0), depth.get(rule.cause, 0) + 1)
    return depth


_DEPTH: Final = _depths()
