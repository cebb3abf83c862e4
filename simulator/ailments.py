"""What an instrument can suffer from, acted out on its signal.

``upset`` changes what the element sees (before noise), ``worn`` what the transmitter makes of its signal
(after noise and before its range), ``spoken`` what it finally says.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from simulator.skid_plant import Acting
from simulator.streams import Floats, Lag, generator

OIL_WINDOW = 0.5  # a fully fouled window: apparent oil, as a share of span × 0.3, and as a share of signal
PLUGGED_HOURS = 1.5  # time constant of a plugged impulse line
ZERO_CREEP = 0.1  # of span, by which a zero has crept at the end
NARROWED = 0.15  # by which a flow meter narrowed by scale reads too much
PSI = 6.894757293168  # kPa: what is wrong by when a transmitter is set to another unit
BUBBLES = 0.08  # chance of one in a scan
FAILED = 0.025  # share of span below its zero at which a signal of 3.6 mA lies (NAMUR NE 43)
WEARS = frozenset({"scale-change", "re-zero", "zero-drift", "flow-meter-fouled"})
CHECKS = (0.0, 0.5, 1.0, 0.5, 0.0)  # shares of span at which a calibration holds


class Ailments:
    """All that ails one instrument of range ``low`` to ``high``, in blocks of scans."""

    def __init__(
        self, seed: int, skid: str, tag: str, acting: Sequence[Acting], low: float, high: float, scan_s: float
    ) -> None:
        self._acting = acting
        self._low, self._span = low, high - low
        self._scan = scan_s
        self._lags: dict[int, Lag] = {}
        self._held: dict[int, float] = {}
        self._random = generator(seed, skid, f"{tag}/ailments") if acting else None

    def upset(self, hours: Floats, signal: Floats) -> tuple[Floats, Floats]:
        """(signal, factor on the noise) of the element."""
        loud = np.ones(len(signal))
        for i, active in enumerate(self._acting):
            strong = self._strength(active, hours)
            if not strong.any():
                self._lags.pop(i, None)
                continue
            match active.fault.name:
                case "analyser-fouling":
                    signal = signal * (1.0 - 0.2 * strong) + OIL_WINDOW * 0.3 * self._span * strong
                    loud = loud * (1.0 - 0.5 * strong)
                case "impulse-line-plugged":
                    signal = self._creeping(i, strong > 0.0, signal)
                    loud = np.where(strong > 0.0, 0.3 * loud, loud)
                case "sensor-noisy":
                    loud = loud * (1.0 + 4.0 * strong)
                case "gas-bubbles":
                    assert self._random is not None
                    draw = self._random.random((len(signal), 2))
                    seen = (draw[:, 0] < BUBBLES) & (strong > 0.0)
                    signal = signal + np.where(seen, strong * 0.4 * self._span * draw[:, 1], 0.0)
                case _:
                    pass
        return signal, loud

    def worn(self, hours: Floats, values: Floats) -> Floats:
        """The transmitter's output for ``values``."""
        for active in self._acting:
            if active.fault.name not in WEARS:
                continue
            strong = self._strength(active, hours)
            match active.fault.name:
                case "scale-change":
                    values = np.where(strong > 0.0, self._low + (values - self._low) * PSI, values)
                case "re-zero":
                    values = values - 0.1 * self._span * strong
                case "zero-drift":
                    values = values + ZERO_CREEP * self._span * strong
                case _:
                    values = self._low + (values - self._low) * (1.0 + NARROWED * strong)
        return values

    def spoken(self, hours: Floats, values: Floats) -> Floats:
        """What is said instead of ``values``."""
        for i, active in enumerate(self._acting):
            struck = self._strength(active, hours) > 0.0
            if not struck.any():
                continue
            match active.fault.name:
                case "sensor-freeze":
                    held = self._held.setdefault(i, float(values[int(np.argmax(struck))]))
                    values = np.where(struck, held, values)
                case "sensor-failed":
                    values = np.where(struck, self._low - FAILED * self._span, values)
                case "calibration":
                    share = (hours - active.event.at) / active.event.hours * len(CHECKS)
                    step = np.clip(share.astype(np.int64), 0, len(CHECKS) - 1)
                    wobble = 1e-3 * np.sin(hours * 977.0)  # a hand-held calibrator is never quite still
                    values = np.where(struck, self._low + self._span * (np.take(CHECKS, step) + wobble), values)
                case _:
                    pass
        return values

    def _strength(self, active: Acting, hours: Floats) -> Floats:
        event = active.event
        if hours[-1] < event.at or hours[0] >= event.at + event.hours:
            return np.zeros(len(hours))
        return np.array([active.strength(float(h)) for h in hours])

    def _creeping(self, number: int, plugged: npt.NDArray[np.bool_], signal: Floats) -> Floats:
        first = int(np.argmax(plugged))
        last = len(plugged) - int(np.argmax(plugged[::-1]))
        lag = self._lags.setdefault(number, Lag(PLUGGED_HOURS * 3600.0, self._scan))
        slow = signal.copy()
        slow[first:last] = lag.take(signal[first:last])
        return slow
