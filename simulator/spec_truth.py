"""When treated water was off its specification, from the noise-free outlet and on the specification's own basis.

A limit on a mean of hours is judged at the end of each five minutes, one on a mean of days at the end of each UTC day
(40 CFR 435.13 has both sorts). Minutes without flow to the user do not count, and half of a window must have flowed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.skid_plant import SkidPlant
from simulator.streams import Floats
from skidhand.fleet import UnitView
from skidhand.fleet.model import SpecLimit
from skidhand.model.kinds import cause_class
from skidhand.model.truth import TruthEvent
from skidhand.units import convert

SLOT, DAY, RECENT = 5, 1440, 3  # minutes, minutes, slots that are "just now"
CLEARLY: Final = 1.05  # of the limit: what peaks below it may pass within an analyser's own error
NEAR, NEARLY_NOW = 0.85, 0.95  # of the limit: it would be right to speak of risk (common practice, no source)
LATE_MINUTES: Final = 60.0  # of water off specification after it could be known (common practice, no source)
Spans = list[tuple[int, int | None]]
"""(first slot, slot after the last, or None while it goes on)."""


@dataclass
class OutletRecord:
    """What left one skid, minute by minute; ``keep`` takes the rows of :meth:`SkidPlant.run`."""

    plant: SkidPlant
    start: datetime
    parts: list[Floats] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.lines: dict[str, tuple[SpecLimit, float]] = {}
        self.unit: UnitView | None = next(iter(self.plant.view.of_type("outlet")), None)
        if self.unit is not None:
            roles = self.unit.type.roles
            for name, line in self.plant.view.spec.items():
                if name in roles and line.basis != "grab":
                    self.lines[name] = line, convert(line.limit, line.unit, roles[name].unit)
            wanted = [(self.unit.id, role) for role in ("flow", "divert", *self.lines)]
            self._places = [self.plant.columns.index(column) for column in wanted]

    def keep(self, rows: Floats) -> None:
        """One more stretch of minutes."""
        if self.lines:
            self.parts.append(rows[1:, self._places].copy())

    def events(self, at: Callable[[float], datetime]) -> Iterator[TruthEvent]:
        """``off-spec``, and ``spec-at-risk`` that nobody need have called."""
        if self.unit is None or not self.parts:
            return
        rows = np.concatenate(self.parts)
        leaves = (rows[:, 0] > 0.0) & (rows[:, 1] < 0.5)
        for i, (name, (line, limit)) in enumerate(self.lines.items(), start=2):
            slot, size = _basis(line.basis)
            first = int(self.start.timestamp()) // 60
            total, count, ends = _slots(rows[:, i], leaves, first, slot)
            window, read = _moving(total, count, size)
            window[read < 0.5 * size * (1 if slot == DAY else slot)] = np.nan
            recent, _ = _moving(total, count, 1 if slot == DAY else RECENT)
            off = _spans(window > limit, window <= limit, merge=size)
            for begin, end in off:
                peak = float(np.nanmax(window[begin:end]))
                yield self._event("off-spec", name, begin, end, ends, at, required=peak >= CLEARLY * limit)
            near = (window > NEAR * limit) | (recent > NEARLY_NOW * limit)
            for begin, end in _spans(near, ~near, merge=size):
                yield self._event("spec-at-risk", name, begin, end, ends, at, required=False)

    def _event(
        self, kind: str, name: str, begin: int, end: int | None, ends: Floats, at: Callable[[float], datetime], *,
        required: bool,
    ) -> TruthEvent:  # fmt: skip
        """``required`` only where the outlet measures it, and nothing ails what measures it."""
        assert self.unit is not None
        onset, tag = float(ends[begin]), self.unit.tags.get(name)
        until = float("inf") if end is None else float(ends[end])
        ails = any(
            a.event.tag == tag and a.event.at < until and onset < a.event.at + a.event.hours for a in self.plant.events
        )
        required = required and tag is not None and not ails
        return TruthEvent(
            id=f"{self.plant.skid.id}/{kind}/{name}/{onset:.2f}",
            event=kind,
            skid=self.plant.skid.id,
            unit=self.unit.id,
            kind=kind,
            cause_class=cause_class(kind, None),
            required=required,
            onset=at(onset),
            knowable=at(onset + SLOT / 60.0),
            too_late=at(onset + (SLOT + LATE_MINUTES) / 60.0) if required else None,
            ended=None if end is None else at(until),
        )


def _basis(text: str) -> tuple[int, int]:
    """(minutes of a slot, slots of the window)."""
    number = int(text[:-1])
    return (DAY, number) if text.endswith("d") else (SLOT, number * 60 // SLOT)


def _slots(
    values: Floats, leaves: npt.NDArray[np.bool_], first: int, slot: int
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """(sum, minutes, hour after the start at which it ends) of each whole slot of the UTC grid."""
    place = (first + np.arange(len(values))) // slot
    place -= place[0]
    total: Floats = np.bincount(place[leaves], values[leaves], minlength=int(place[-1]) + 1).astype(np.float64)
    count = np.bincount(place[leaves], minlength=len(total)).astype(np.float64)
    ends = ((np.arange(len(total)) + 1) * slot - first % slot) / 60.0
    whole = ends * 60.0 <= len(values)
    if slot == DAY:  # a day counts as one, by its own mean
        total, count = np.where(count >= 60, total / np.maximum(count, 1.0), 0.0), (count >= 60).astype(np.float64)
    return total[whole], count[whole], ends[whole]


def _moving(total: Floats, count: Floats, size: int) -> tuple[Floats, Floats]:
    """Mean over the last ``size`` slots (NaN unknown), and what it is a mean of."""
    sums, counts = (np.convolve(x, np.ones(size))[: len(x)] for x in (total, count))
    return np.where(counts > 0.5, sums / np.maximum(counts, 0.5), np.nan), counts


def _spans(on: npt.NDArray[np.bool_], off: npt.NDArray[np.bool_], *, merge: int) -> Spans:
    """Stretches from an ``on`` to the next ``off``; two with less than ``merge`` slots between them are one."""
    found: Spans = []
    begin = None
    for i, (here, gone) in enumerate(zip(on.tolist(), off.tolist(), strict=True)):
        if begin is None and here:
            begin = i
            if found and found[-1][1] is not None and i - found[-1][1] < merge:
                begin = found.pop()[0]
        elif begin is not None and gone:
            found.append((begin, i))
            begin = None
    return [*found, (begin, None)] if begin is not None else found
