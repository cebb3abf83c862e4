"""What a fleet file may ask of single instruments: quality tests, and thinning out before the store."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from skidhand.fleet.strict import Strict

Span = tuple[float, float]


class Levels(Strict):
    """From where on a figure is suspect (Uncertain), and from where on it has failed (Bad)."""

    suspect: float | None = Field(None, gt=0)
    fail: float | None = Field(None, gt=0)

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.suspect is None and self.fail is None:
            raise ValueError("give 'suspect', 'fail' or both")
        if self.suspect is not None and self.fail is not None and self.suspect > self.fail:
            raise ValueError(f"'suspect' ({self.suspect:g}) must not be above 'fail' ({self.fail:g})")
        return self


class Spans(Strict):
    """Outside ``suspect`` a value is suspect (Uncertain), outside ``fail`` it has failed (Bad)."""

    suspect: Span | None = None
    fail: Span | None = None

    @model_validator(mode="after")
    def _nested(self) -> Self:
        if self.suspect is None and self.fail is None:
            raise ValueError("give 'suspect', 'fail' or both")
        for name, span in (("suspect", self.suspect), ("fail", self.fail)):
            if span is not None and span[0] >= span[1]:
                raise ValueError(f"{name!r} must rise, got {list(span)}")
        if self.suspect and self.fail and not (self.fail[0] <= self.suspect[0] and self.suspect[1] <= self.fail[1]):
            raise ValueError(f"'suspect' {list(self.suspect)} must lie within 'fail' {list(self.fail)}")
        return self


class FlatLine(Levels):
    """Seconds for which the value may stay within less than ``tolerance``."""

    tolerance: float = Field(gt=0, description="in the instrument's unit")


class Checks(Strict):
    """Tests by QARTOD's definitions (doi 10.7289/V5V40SD4), in the instrument's unit; what is absent is not tested."""

    range: Spans | None = Field(None, description="gross range")
    rate: Levels | None = Field(None, description="change per second")
    spike: Levels | None = Field(None, description="distance from the mean of both neighbours")
    flat: FlatLine | None = None


class Reduce(Strict):
    """Thinning out of Good values. Exactly one method; its figure is the largest error, in the instrument's unit."""

    deadband: float | None = Field(None, ge=0, description="error while the last kept value is held")
    swinging_door: float | None = Field(None, gt=0, description="error of straight lines between kept values")
    max_interval: float = Field(
        30.0, gt=0, le=600, description="seconds without a kept value, and of waiting for the next, at most"
    )

    @model_validator(mode="after")
    def _one(self) -> Self:
        if (self.deadband is None) == (self.swinging_door is None):
            raise ValueError("give either 'deadband' or 'swinging_door'")
        return self
