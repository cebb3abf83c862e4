"""What detectors look at: one skid on a fixed grid of UTC minutes, in each role's own unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntFlag

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
U16 = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]


class Flag(IntFlag):
    """Why a minute of a channel is not plain good. Cleaning flags; it never alters or deletes."""

    GAP = 1  # no usable sample in this minute and none held over
    UNCERTAIN = 2  # built from Uncertain samples
    RANGE = 4  # outside the instrument's own range
    SPIKE = 8
    FROZEN = 16  # does not move while its partners do
    HELD = 32  # an on-change instrument's last value, still standing


UNUSABLE = Flag.GAP | Flag.RANGE | Flag.SPIKE | Flag.FROZEN


@dataclass(frozen=True, slots=True)
class Channel:
    """One role's minutes. All arrays have one entry a minute; figures are NaN where a gap is.

    ``value`` is the mean of the minute (the last value for a state), ``low``/``high`` its extremes,
    ``std`` the standard deviation inside the minute, ``count`` the usable samples.
    """

    tag: str
    unit: str
    value: F64
    low: F64
    high: F64
    std: F64
    count: I64
    flags: U16

    @property
    def usable(self) -> Mask:
        """Minutes that calculations may use."""
        return np.asarray((self.flags & int(UNUSABLE)) == 0) & np.isfinite(self.value)

    def clean(self) -> F64:
        """``value`` with NaN wherever the minute is not usable."""
        return np.where(self.usable, self.value, np.nan)

    def cut(self, part: slice) -> Channel:
        """The same channel over a part of its minutes."""
        arrays = {name: getattr(self, name)[part] for name in ("value", "low", "high", "std", "count", "flags")}
        return replace(self, **arrays)


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive minutes of one skid. ``minutes`` counts from the Unix epoch, step 1, length n.

    ``channels`` by (unit id, role); a role without instrument is absent. ``running`` is True where the
    skid is in service. ``washing`` by media filter id: True while it is being washed. ``settling`` is True in
    the minutes after a start, a stop or a wash in which nothing should be judged. ``lag``:
    :func:`analytics.grid.lag_of` the minute.
    """

    minutes: I64
    channels: Mapping[tuple[str, str], Channel]
    running: Mask
    washing: Mapping[str, Mask]
    settling: Mask
    lag: F64 = field(default_factory=lambda: np.empty(0))

    def __len__(self) -> int:
        return len(self.minutes)

    def get(self, unit: str, role: str) -> Channel | None:
        """The channel of a unit's role, or None when it has no instrument."""
        return self.channels.get((unit, role))

    def clean(self, unit: str, role: str) -> F64:
        """The role's usable values, NaN elsewhere; all NaN when it has no instrument."""
        channel = self.channels.get((unit, role))
        return np.full(len(self), np.nan) if channel is None else channel.clean()

    def cut(self, start: int, stop: int) -> Block:
        """Minutes [start, stop) of the block, by position."""
        part = slice(start, stop)
        return Block(
            minutes=self.minutes[part],
            channels={key: channel.cut(part) for key, channel in self.channels.items()},
            running=self.running[part],
            washing={key: mask[part] for key, mask in self.washing.items()},
            settling=self.settling[part],
            lag=self.lag[part],
        )
