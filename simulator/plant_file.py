"""Blocks of a scenario file that tell of one skid: its plant, its link and what happens to it."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator

from simulator.checked import Block
from simulator.faults import FAULTS
from simulator.plant.media_filter import Law


class Plant(Block):
    """One skid's normal: what comes from the pad and how its units are sized where the fleet file is silent."""

    load: float = Field(1.0, gt=0.2, le=1.2, description="normal flow as a share of design flow")
    temperature: float = Field(25.0, ge=5, le=60, description="feed, °C")
    oil: float = Field(900.0, gt=0, le=20_000, description="oil from the pad, mg/L")
    droplet_median_um: float = Field(90.0, ge=5, le=200)
    droplet_spread: float = Field(0.8, gt=0.1, le=2)
    solids: float = Field(25.0, ge=0, le=1000, description="suspended solids from the pad, mg/L")
    run_hours: float = Field(20.0, ge=2, le=500, description="filter run from clean to four times clean")
    run_started: float = Field(0.0, ge=0, lt=1, description="share of a run that is over at the start")
    law: Law = "cake"
    cyclone_dp: float = Field(207.0, gt=20, le=1000, description="kPa at design flow")
    cyclone_outlet: float = Field(207.0, gt=20, le=1000, description="kPa held at the water outlet")
    cyclone_split: float = Field(0.03, ge=0.01, le=0.08)
    cyclone_pdr: float = Field(1.7, ge=1.1, le=2.0)
    strainer_dp: float = Field(15.0, gt=1, le=60, description="clean, kPa at design flow")
    strainer_cleaned_at: float | None = Field(None, gt=2, le=300, description="kPa at which a person cleans it")
    wash_timer: float = Field(48.0, gt=0.5, le=2000, description="hours after which a controller washes in any case")
    ambient: float | None = Field(None, ge=-40, le=50, description="mean outside, °C; 8 below the feed if not given")
    calcium: float = Field(0.0, ge=0, le=0.6, description="share of the salt that is calcium chloride, by mass")
    recovery: float = Field(0.5, gt=0.05, le=0.9, description="of reverse osmosis")
    lab_every: float | None = Field(None, gt=0, description="hours between laboratory samples of the treated water")


class Carrier(Block):
    """The link to the broker."""

    latency_s: float = Field(0.5, ge=0, le=30)
    dropped: float = Field(2e-4, ge=0, le=0.5, description="share of samples that never arrive")
    late: float = Field(1e-3, ge=0, le=0.5, description="share of scans that come up to a minute late")
    clock_offset_s: float = Field(0.0, ge=-3600, le=3600, description="the skid's clock against UTC")


class Event(Block):
    """One fault or look-alike: when (hours after the start), how long, how strong."""

    event: str
    at: float = Field(ge=0)
    hours: float = Field(gt=0)
    severity: float = Field(1.0, gt=0, le=2)
    tag: str | None = None
    unit: str | None = Field(None, description="which unit, where the skid has several of the kind")

    @field_validator("event")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in FAULTS:
            raise ValueError(f"no fault or look-alike {name!r}; there are {', '.join(sorted(FAULTS))}")
        return name


class SkidStory(Block):
    """What one skid is like and what happens to it."""

    plant: Plant = Plant()
    carrier: Carrier = Carrier()
    story: tuple[Event, ...] = ()


class SharedTank(Block):
    """How the tank that a site's skids share is emptied."""

    start: float = Field(0.5, gt=0, lt=1, description="share of its height that is full at the start")
    pumped: float = Field(0.0, ge=0, le=1000, description="m³/h that a pump takes on")
    load: float = Field(20.0, gt=1, le=100, description="m³ of a truck")
    call_at: float = Field(0.6, gt=0, lt=1, description="share of its height above which a truck is called")
    when_full: Literal["stop", "divert"] = "stop"


class SiteStory(Block):
    """What one site's shared tank is like and what happens to it."""

    tank: SharedTank = SharedTank()
    carrier: Carrier = Carrier()
    story: tuple[Event, ...] = ()
