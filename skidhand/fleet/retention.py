"""The fleet file's retention classes: how long the data of which instruments are kept."""

from __future__ import annotations

from pydantic import Field, model_validator

from skidhand.fleet.strict import Strict

DEFAULT = "default"
"""The class of instruments that name none; it need not be given."""


class Retention(Strict):
    """How many days after its UTC day the data of one class of instruments are kept; absent: for ever."""

    raw: int | None = Field(None, gt=0, description="days for which samples are kept")
    minutes: int | None = Field(None, gt=0, description="days for which 1-minute rollups are kept")
    hours: int | None = Field(None, gt=0, description="days for which 1-hour rollups are kept")

    @model_validator(mode="after")
    def _coarser_longer(self) -> Retention:
        ages = [age if age is not None else float("inf") for age in (self.raw, self.minutes, self.hours)]
        if ages != sorted(ages):
            raise ValueError(
                "samples cannot outlive their 1-minute rollups, nor those the 1-hour ones: give raw <= minutes <= hours"
            )
        return self
