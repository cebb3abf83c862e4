"""Which meters of a skid must agree: balances between metered points, found from the fleet file. Pure.

Water that leaves one unit enters the next. Units without a meter are passed through, a plain tank by what its level
takes up; where water leaves or comes unmetered (a settling tank's skim and returns, a concentrate) there is no balance.
A pump of fixed displacement counts as a meter that is no better than its stator.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analytics.frame import F64, Block, Mask
from analytics.reconcile import reconcile
from skidhand.fleet import SkidView, UnitView

Kind = Literal["flow", "total", "level", "speed"]
# Roles that measure all that enters a unit, and all that leaves it towards the next.
ENTERS: Final = {
    "strainer": "flow", "feed_pump": "flow", "hydrocyclone": "inlet_flow", "flotation": "flow", "media_filter": "flow",
    "reverse_osmosis": "feed_flow", "buffer_tank": "inlet_flow", "outlet": "flow",
}  # fmt: skip
LEAVES: Final = {
    "strainer": ("flow",), "feed_pump": ("flow",), "hydrocyclone": ("inlet_flow", "reject_flow"),
    "flotation": ("flow",), "media_filter": ("flow",), "reverse_osmosis": ("permeate_flow",),
    "buffer_tank": ("outlet_flow",),
}  # fmt: skip
THROUGH: Final = frozenset({"strainer", "feed_pump", "flotation", "buffer_tank"})  # what enters leaves
# Standard uncertainty of a reading: common practice, no source.
ERRS: Final = {"flow": 0.02, "total": 0.02, "speed": 0.03, "level": 0.02}
MOST: Final = 0.5  # of its own reading, by which one meter may be wrong and still be believed to be the one


@dataclass(frozen=True, slots=True)
class Stream:
    """One figure of the balances: a flow, a counter's rate, a tank's gain, or a pump's revolutions."""

    unit: str
    role: str
    tag: str
    kind: Kind


_Row = dict[Stream, float]


@dataclass(frozen=True)
class Balances:
    """``matrix`` (balances, streams): 1 where a stream enters, -1 where it leaves. At most one speed in a balance."""

    streams: tuple[Stream, ...]
    matrix: F64

    def has(self, kind: Kind) -> Mask:
        """Which balances contain a stream of ``kind``, as a mask (balances,)."""
        of_kind = np.array([stream.kind == kind for stream in self.streams], dtype=np.bool_)
        return np.asarray((self.matrix[:, of_kind] != 0).any(axis=1), dtype=np.bool_)


def balances_of(skid: SkidView) -> Balances:
    """Every independent balance that the skid's meters allow; none where they allow none."""
    meters = _Meters(skid)
    rows = [row for row in meters.junctions() if row is not None and _closed(row)] + meters.doubled()
    streams = tuple(dict.fromkeys(stream for row in rows for stream, sign in row.items() if sign))
    matrix = np.zeros((0, len(streams)))
    for row in rows:
        line = np.array([[row.get(stream, 0.0) for stream in streams]])
        if np.linalg.matrix_rank(np.vstack([matrix, line])) > len(matrix):
            matrix = np.vstack([matrix, line])
    return Balances(streams, matrix)


def rates(streams: tuple[Stream, ...], skid: SkidView, block: Block, last: dict[str, tuple[int, float]]) -> F64:
    """(minutes, streams), m³/h, 1/min for a speed; NaN where unknown. ``last`` of counters and levels goes on."""
    table = np.empty((len(block), len(streams)))
    for j, stream in enumerate(streams):
        values = block.clean(stream.unit, stream.role)
        if stream.kind in ("total", "level"):
            values = _gain(skid.by_id[stream.unit], stream, block, values, last)
        table[:, j] = values
    return table


def suspect(balances: Balances, closures: F64, flows: F64) -> int | None:
    """The stream whose error alone explains the ``closures`` (balances,) best, m³/h, at ``flows`` (streams,).

    None where no test fails or several explain them alike. The largest of the measurement tests of
    :mod:`analytics.reconcile`; one that would have to be wrong by more than half of its own reading is no candidate.
    """
    a = balances.matrix
    floor = 0.02 * float(np.max(np.abs(flows)))
    least = np.where([stream.kind == "level" for stream in balances.streams], floor, 0.05 * floor)
    sigma = np.maximum([ERRS[s.kind] * abs(f) for s, f in zip(balances.streams, flows, strict=True)], least)
    found = reconcile(a, a.T @ np.linalg.solve(a @ a.T, closures), sigma)  # readings that close up to ``closures``
    if found.agrees:
        return None
    weight = np.linalg.inv((a * sigma**2) @ a.T)
    wrong = (a.T @ weight @ closures) / np.maximum(np.einsum("ji,jk,ki->i", a, weight, a), 1e-300)
    levels = np.array([stream.kind == "level" for stream in balances.streams])
    able = np.isfinite(found.z) & ((np.abs(wrong) <= MOST * np.abs(flows)) | levels)
    sizes = np.where(able, np.abs(found.z), 0.0)
    best = int(np.argmax(sizes))
    return best if sizes[best] > 0.0 and int((sizes > 0.9 * sizes[best]).sum()) == 1 else None


class _Meters:
    """Streams of a skid by their tags: a tag that several units share is one stream, the first one's."""

    def __init__(self, skid: SkidView) -> None:
        self._known: dict[str, Stream] = {}
        self.units = [unit for unit in skid.units if unit.type.name not in ("skid", "chemical")]

    def of(self, unit: UnitView, role: str, kind: Kind = "flow") -> Stream:
        tag = unit.tags[role]
        return self._known.setdefault(tag, Stream(unit.id, role, tag, kind))

    def stored(self, unit: UnitView) -> _Row | None:
        """What a plain tank takes up, as something that leaves; nothing for what holds none."""
        if unit.type.name != "buffer_tank":
            return {}
        if not unit.has("level") or "area" not in unit.params:
            return None
        return {self.of(unit, "level", "level"): -1.0}

    def entering(self, unit: UnitView) -> _Row | None:
        """Leaves the junction before the unit. A tank with an outlet's meter alone stores what does not leave."""
        name, role = unit.type.name, ENTERS.get(unit.type.name)
        if name == "buffer_tank" and not unit.has("inlet_flow"):
            stored, out = self.stored(unit), self.leaving(unit)
            return None if stored is None or out is None else {**stored, **{s: -sign for s, sign in out.items()}}
        if name == "outlet" and not unit.has("flow") and unit.has("total"):
            return {self.of(unit, "total", "total"): -1.0}
        return {self.of(unit, role): -1.0} if role is not None and unit.has(role) else None

    def leaving(self, unit: UnitView) -> _Row | None:
        """Enters the junction behind the unit."""
        roles = LEAVES.get(unit.type.name)
        if roles is None or not unit.has(*roles):
            return None
        return {self.of(unit, role): 1.0 if i == 0 else -1.0 for i, role in enumerate(roles)}

    def junctions(self) -> list[_Row | None]:
        """What enters less what leaves of each place where units meet; None where something is not metered."""
        parent: dict[tuple[str, str], tuple[str, str]] = {}

        def find(port: tuple[str, str]) -> tuple[str, str]:
            while parent.setdefault(port, port) != port:
                port = parent[port]
            return port

        for unit in self.units:
            for name in unit.downstream:
                parent[find((unit.id, "out"))] = find((name, "in"))
            if _passes(unit):
                parent[find((unit.id, "in"))] = find((unit.id, "out"))
        rows: dict[tuple[str, str], _Row | None] = {}
        for unit in self.units:
            if _passes(unit):
                _add(rows, find((unit.id, "in")), self.stored(unit))
                continue
            _add(rows, find((unit.id, "in")), self.entering(unit))
            _add(rows, find((unit.id, "out")), self.leaving(unit))
        return list(rows.values())

    def doubled(self) -> list[_Row]:
        """A pump's revolutions against the meter that its water passes, and a counter against its outlet's flow."""
        rows = list[_Row]()
        by_id = {unit.id: unit for unit in self.units}
        for unit in self.units:
            if unit.type.name == "feed_pump" and unit.has("speed"):
                own = {self.of(unit, "flow"): -1.0} if unit.has("flow") else None
                after = [own] if own else [self.entering(by_id[name]) for name in unit.downstream]
                known = [row for row in after if row is not None]
                if known and len(known) == len(after):
                    row = {self.of(unit, "speed", "speed"): 1.0}
                    rows.append(row | {stream: sign for one in known for stream, sign in one.items()})
            if unit.type.name == "outlet" and unit.has("flow", "total"):
                rows.append({self.of(unit, "flow"): 1.0, self.of(unit, "total", "total"): -1.0})
        return rows


def _add(rows: dict[tuple[str, str], _Row | None], at: tuple[str, str], more: _Row | None) -> None:
    row = rows.setdefault(at, {})
    if row is None or more is None:
        rows[at] = None
        return
    for stream, sign in more.items():
        row[stream] = row.get(stream, 0.0) + sign


def _closed(row: _Row) -> bool:
    return min(row.values(), default=0.0) < 0 < max(row.values(), default=0.0)


def _passes(unit: UnitView) -> bool:
    """What enters it leaves it, and no meter of its own stands between."""
    if unit.type.name == "buffer_tank":
        return not unit.has("inlet_flow") and not unit.has("outlet_flow")
    return unit.type.name in THROUGH and not unit.has(ENTERS[unit.type.name])


def _gain(unit: UnitView, stream: Stream, block: Block, values: F64, last: dict[str, tuple[int, float]]) -> F64:
    """m³/h from one minute to the next of a counter or a level; NaN after a gap and where a counter began anew."""
    before = last.get(stream.tag, (-1, np.nan))
    known = np.append(before[1] if before[0] == int(block.minutes[0]) - 1 else np.nan, values)
    gain = 60.0 * np.diff(known)
    if np.isfinite(values[-1]):
        last[stream.tag] = (int(block.minutes[-1]), float(values[-1]))
    if stream.kind == "total":
        return np.where(gain >= 0, gain, np.nan)
    return gain * unit.params["area"]
