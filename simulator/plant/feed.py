"""What comes from the pad: flow, oil, solids and temperature, never quite steady.

Spreads and time constants are common practice without a source; they are what the detectors must live
with on a quiet day.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from simulator.streams import Correlated, Floats, generator

MINUTE = 1.0
AFTERNOON = 15 * 60  # minute of the day (UTC of the scenario's start + shift) at which it is warmest


class FeedBlock(NamedTuple):
    """Arrays of one value a minute: factors of normal, temperatures in °C, and a ripple of spread 1."""

    inflow: Floats
    setpoint: Floats
    oil: Floats
    solids: Floats
    temperature: Floats
    ambient: Floats
    ripple: Floats


class Feed:
    """The feed of one skid, minute by minute from the scenario's start."""

    def __init__(
        self, seed: int, skid: str, temperature: float, ambient: float | None = None, daily_swing: float = 1.5
    ) -> None:
        def stream(purpose: str, sigma: float, tau: float) -> Correlated:
            return Correlated(generator(seed, skid, f"feed/{purpose}"), sigma, tau, MINUTE)

        self._temperature, self._swing = temperature, daily_swing
        self._outside = temperature - 8.0 if ambient is None else ambient
        self._minute = 0
        self._inflow = stream("inflow", 0.02, 20)
        self._setpoint = stream("setpoint", 0.004, 5)
        self._oil = stream("oil", 0.08, 90)
        self._solids = stream("solids", 0.08, 180)
        self._weather = stream("weather", 0.4, 600)
        self._ripple = stream("ripple", 1.0, 3)

    def take(self, minutes: int) -> FeedBlock:
        """The next ``minutes``."""
        at = np.arange(self._minute, self._minute + minutes)
        self._minute += minutes
        day = np.cos(2 * np.pi * (at - AFTERNOON) / 1440.0)
        weather = self._weather.take(minutes)
        return FeedBlock(
            inflow=1.0 + self._inflow.take(minutes),
            setpoint=1.0 + self._setpoint.take(minutes),
            oil=np.exp(self._oil.take(minutes)),
            solids=np.exp(self._solids.take(minutes)),
            temperature=self._temperature + self._swing * day + weather,
            ambient=self._outside + 4.0 * self._swing * day + 3.0 * weather,
            ripple=self._ripple.take(minutes),
        )
