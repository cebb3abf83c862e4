"""Runs every detector over a block: (view, block, memory) in, (memory, what was said) out. Pure."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final
from uuid import UUID

import orjson
import structlog

from analytics.band import Band, step_band
from analytics.carry import Carry
from analytics.detectors.base import Detector, Draft, State, moved
from analytics.frame import Block
from analytics.renewals import Renewed, affecting
from analytics.silence import Silence
from skidhand import plugins
from skidhand.errors import IntegrityError
from skidhand.fleet import SkidView, UnitView
from skidhand.model.finding import Finding
from skidhand.model.watched import Why

_log = structlog.get_logger(__name__)
FORMAT: Final = 2
BEARS = True
"""False in tests, where a detector's failure must be seen."""
Key = tuple[str, str]  # detector, unit id


@dataclass(frozen=True, slots=True)
class Learnt:
    """A detector's state on one unit, with what it was learnt under: its version and the unit's numbers.

    It began in minute ``since`` with what ``why`` says: another ``placement``, a renewed ``part`` or ``instrument``,
    of which ``what`` is the name.
    """

    version: int
    terms: str
    state: State
    since: int
    why: Why = "placement"
    what: str = ""


@dataclass(frozen=True, slots=True)
class Memory:
    """Everything that analytics must remember of one skid. ``standing``: findings open or lately closed."""

    placement: str = ""
    began: int | None = None  # first minute ever analysed
    fleets: tuple[tuple[int, str], ...] = ()  # (effective from, digest) of the versions used so far
    carry: Carry = field(default_factory=Carry)
    silence: Silence = field(default_factory=Silence)
    band: Band = field(default_factory=Band)
    learnt: Mapping[Key, Learnt] = field(default_factory=dict)
    standing: Mapping[UUID, Finding] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Said:
    """A draft with who said it."""

    draft: Draft
    detector: str
    version: int


def builtin_detectors() -> dict[str, Detector]:
    """Every detector that is installed, by name."""
    return {name: plugin.member for name, plugin in plugins.load("detector").items()}


def pairs(skid: SkidView, detectors: Mapping[str, Detector]) -> Iterator[tuple[Key, Detector, UnitView]]:
    """Each detector on each unit that it is for and where it can watch something."""
    for name in sorted(detectors):
        detector = detectors[name]
        for unit in skid.units:
            if detector.unit_type in ("*", unit.type.name) and detector.needs(unit, skid).watched:
                yield (name, unit.id), detector, unit


def terms(skid: SkidView, unit: UnitView) -> str:
    """A digest of the numbers that a detector on this unit works with; when it changes, it must re-learn."""
    told = {
        "type": unit.type.name,
        "limits": dict(unit.limits),
        "params": dict(unit.params),
        "instruments": {
            role: [unit.tags[role], i.unit, i.range, i.reporting, i.reduce is None, i.deadband, i.basis, i.states]
            for role, i in unit.instruments.items()
        },
        "around": [unit.upstream, unit.downstream, unit.backwash_by],
        "skid": [skid.design_flow, skid.tds, skid.oil_api, str(sorted(skid.spec.items()))],
    }
    options = orjson.OPT_SORT_KEYS | orjson.OPT_NON_STR_KEYS
    return hashlib.sha256(orjson.dumps(told, option=options)).hexdigest()[:16]


def stale(
    skid: SkidView, memory: Memory, detectors: Mapping[str, Detector], renewed: Renewed, minute: int
) -> list[Key]:
    """Pairs whose memory is missing, was learnt under another version or other numbers, or of what was ``renewed``
    up to ``minute``.
    """
    return [
        key
        for key, detector, unit in pairs(skid, detectors)
        if (known := memory.learnt.get(key)) is None
        or (known.version, known.terms) != (detector.version, terms(skid, unit))
        or any(affecting(renewed, detector, unit, after=known.since, until=minute))
    ]


def on_another_pad(skid: SkidView, memory: Memory, detectors: Mapping[str, Detector], minute: int) -> dict[Key, Learnt]:
    """What is left of what was learnt, once the skid stands elsewhere from ``minute`` on."""
    left: dict[Key, Learnt] = {}
    for key, detector, unit in pairs(skid, detectors):
        known = memory.learnt.get(key)
        if known is None or known.version != detector.version or not detector.learns.keeps:
            continue
        whole = detector.learns.keeps == detector.state.model_fields.keys()
        anew = known if whole else replace(known, since=minute, why="placement", what="")
        left[key] = replace(anew, state=moved(detector, unit, skid, known.state))
    return left


def advance(
    skid: SkidView,
    block: Block,
    memory: Memory,
    detectors: Mapping[str, Detector],
    *,
    only: Iterable[Key] | None = None,
) -> tuple[Memory, list[Said]]:
    """All detectors (or ``only`` some pairs) over one block; what they said, in order of minutes.

    A pair that is not in memory starts. The caller sees to it that none is stale. A pair that cannot bear what it is
    given starts anew after the block, seen as learning: it must not leave all other units and skids unwatched.
    """
    chosen = None if only is None else set(only)
    learnt = dict(memory.learnt)
    said: list[Said] = []
    for key, detector, unit in pairs(skid, detectors):
        if chosen is not None and key not in chosen:
            continue
        known = learnt.get(key)
        before = detector.start(unit, skid) if known is None else known.state
        try:
            state, drafts = detector.step(unit, skid, block, before)
        except Exception as error:  # whatever a detector stumbles over is its own
            if not BEARS:
                raise
            _log.exception("detector failed", detector=key[0], unit=unit.id, error=repr(error))
            after, fresh = int(block.minutes[-1]) + 1, detector.start(unit, skid)
            learnt[key] = Learnt(detector.version, terms(skid, unit), fresh, after, "failure", key[0])
            continue
        if known is None:
            known = Learnt(detector.version, terms(skid, unit), state, int(block.minutes[0]))
        learnt[key] = replace(known, state=state)
        said += [Said(draft, detector.name, detector.version) for draft in drafts]
    said.sort(key=lambda s: s.draft.minute)
    return replace(memory, learnt=learnt, band=step_band(skid, block, memory.band)), said


def to_bytes(memory: Memory) -> bytes:
    """Compressed JSON; equal memories give equal bytes."""
    document = {
        "v": FORMAT,
        "placement": memory.placement,
        "began": memory.began,
        "fleets": memory.fleets,
        "carry": memory.carry.model_dump(),
        "silence": memory.silence.model_dump(),
        "band": memory.band.model_dump(),
        "learnt": [
            [*key, known.version, known.terms, known.state.model_dump(mode="json"), known.since, known.why, known.what]
            for key, known in sorted(memory.learnt.items())
        ],
        "standing": [memory.standing[key].model_dump(mode="json") for key in sorted(memory.standing)],
    }
    return zlib.compress(orjson.dumps(document, option=orjson.OPT_SORT_KEYS), 3)


def from_bytes(data: bytes, detectors: Mapping[str, Detector]) -> Memory:
    """What :func:`to_bytes` wrote. A detector that is gone, or of another version, comes without its state."""
    document: dict[str, Any] = orjson.loads(zlib.decompress(data))
    if document["v"] != FORMAT:
        raise IntegrityError(f"the analysis memory is of format {document['v']}, this program reads {FORMAT}")
    learnt = {
        (name, unit): Learnt(version, told, detectors[name].state.model_validate(state), since, why, what)
        for name, unit, version, told, state, since, why, what in document["learnt"]
        if name in detectors and detectors[name].version == version
    }
    findings = [Finding.model_validate(doc) for doc in document["standing"]]
    return Memory(
        placement=document["placement"],
        began=document["began"],
        fleets=tuple((at, digest) for at, digest in document["fleets"]),
        carry=Carry.model_validate(document["carry"]),
        silence=Silence.model_validate(document["silence"]),
        band=Band.model_validate(document["band"]),
        learnt=learnt,
        standing={finding.id: finding for finding in findings},
    )
