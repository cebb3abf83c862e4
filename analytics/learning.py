"""What a skid's memory says of itself: who is still learning, why and how far, and whether it is watched now.

For readers there is ``Logbook.analysis.watched()``: the analyser commits this with the memory that it tells of.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Final

from analytics.band import witness_of
from analytics.detectors.base import Detector
from analytics.engine import Learnt, Memory
from analytics.masks import flow_low
from analytics.segments import time_of
from skidhand.fleet import SkidView, UnitView
from skidhand.model.watched import Learning, NotWatched, Watched

LASTING: Final = 10  # minutes below the band before it is told: common practice, no source


def watched(skid: SkidView, memory: Memory, detectors: Mapping[str, Detector], minute: int) -> Watched:
    """As of the beginning of ``minute``. Units and detectors in order of their names."""
    learning = []
    for (name, unit), known in sorted(memory.learnt.items()):
        view = skid.by_id.get(unit)
        if name in detectors and view is not None:
            one = _learning(detectors[name], view, skid, known, minute)
            learning += [] if one is None else [one]
    return Watched(
        skid=skid.id,
        at=time_of(minute),
        learning=tuple(sorted(learning, key=lambda one: (one.unit, one.detector))),
        not_watched=_not_watched(skid, memory, minute),
    )


def _learning(detector: Detector, unit: UnitView, skid: SkidView, known: Learnt, minute: int) -> Learning | None:
    progress = detector.progress(unit, known.state)
    if progress is None:
        return None
    hours = progress.of - progress.done if progress.measure == "h" else None
    return Learning(
        unit=unit.id,
        detector=detector.name,
        kinds=tuple(sorted(detector.needs(unit, skid).watched)),
        why=known.why,
        what=known.what,
        since=time_of(known.since),
        done=progress.done,
        of=progress.of,
        measure=progress.measure,
        not_before=None if hours is None else time_of(minute) + timedelta(hours=hours),
    )


def _not_watched(skid: SkidView, memory: Memory, minute: int) -> NotWatched | None:
    band, witness = memory.band, witness_of(skid)
    if band.low is None or band.flow is None or minute - band.low < LASTING or witness is None:
        return None
    kind, role = witness
    unit = next(unit for unit in skid.of_type(kind) if unit.has(role))
    (flow, code), (least, _) = unit.shown(role, band.flow), unit.shown(role, flow_low(skid))
    return NotWatched(since=time_of(band.low), flow=flow, least=least, unit=code)
