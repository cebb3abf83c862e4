"""The figures of a report, as they are told, frozen and compared."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict


class _Frozen(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Volume(_Frozen):
    """What a meter's own total says passed, in ``unit``; ``plain`` and the other lines add up to ``total``.

    ``diverted``, ``off_spec``, ``unjudged``: None where no instrument tells. ``integrated``: the flow meter's readings
    summed over the minutes that have one, a check and nothing more.
    """

    tag: str
    unit: str
    total: float
    plain: float
    in_gap: float
    diverted: float | None
    off_spec: float | None
    unjudged: float | None = None  # no usable reading of the analyser
    rollovers: int
    resets: int
    integrated: float | None = None
    integrated_share: float | None = None  # of the period's minutes that had a flow


class Quality(_Frozen):
    """Treated water against its limit, by the analyser, in the instrument's unit."""

    name: str
    tag: str
    unit: str
    limit: float
    basis: str
    minutes: int  # in service with a usable reading
    on_spec: int
    average_30d: float | None  # mean of daily means
    days: int  # that it is the mean of
    highest_day: float | None
    highest: float | None
    windows: int | None = None  # of the basis's length with a mean; None for grab samples and for more than a day
    windows_on: int | None = None  # of them, with a mean at or below the limit

    @property
    def share(self) -> float | None:
        """Part of the minutes on specification."""
        return self.on_spec / self.minutes if self.minutes else None


class Run(_Frozen):
    """A media filter between two washes; ``whole``: both lie in the period."""

    unit: str
    start: datetime
    hours: float
    whole: bool


class Event(_Frozen):
    """A finding and what people said of it."""

    onset: datetime
    ended: datetime | None
    kind: str
    unit: str
    severity: str
    cause: str | None
    verdict: str | None


class Day(_Frozen):
    """One of the site's own days: treated volume by the meter, and mean oil of what was read."""

    day: str
    treated: float | None
    oil: float | None
    treated_unit: str = ""
    oil_unit: str = ""


class SkidFigures(_Frozen):
    """One skid over one period. None: no instrument for it, or nothing known."""

    skid: str
    name: str
    site: str
    start: datetime
    end: datetime
    treated: Volume | None
    received: Volume | None
    recovery: float | None
    backwash: float | None  # volume of wash water, in the unit of received (or treated) water
    backwash_share: float | None
    oil_caught_kg: float | None
    oil_minutes: int  # minutes that oil_caught_kg is made of
    oil_caught_bbl: float | None = None  # US barrels at oil_density, where the fleet file tells the oil's gravity
    oil_density: float | None = None  # kg/m³ at 60 °F
    oil_api: float | None = None
    quality: tuple[Quality, ...]
    days: tuple[Day, ...]
    runs: tuple[Run, ...]
    events: tuple[Event, ...]
    calls: int  # people told of a prompt, each once a prompt
    false_calls: int  # of them, of prompts that people judged false
    in_service_h: float
    completeness: float | None  # of the minutes of all periodic instruments, those with a usable value
    messages: int = 0  # handed over to people for these calls, repeats and copies too
    fleet_version: str = ""  # the version in force then
    site_name: str = ""
    zone: str = "UTC"  # the site's, by which its days are cut
    customer: bool = False

    def for_customer(self) -> SkidFigures:
        """Treated volume and its quality: no causes, names, calls or inner workings."""
        nothing = dict.fromkeys(("received", "recovery", "backwash", "backwash_share", "oil_caught_kg",
                                 "oil_caught_bbl", "oil_density", "oil_api", "completeness"))  # fmt: skip
        none = {"runs": (), "events": (), "calls": 0, "false_calls": 0, "messages": 0, "oil_minutes": 0,
                "in_service_h": 0.0, "fleet_version": "", "customer": True}  # fmt: skip
        return self.model_copy(update={**nothing, **none})


class Figures(_Frozen):
    """A report: ``subject`` such as ``skid tf-skid-1``, ``period`` such as ``2026-03``.

    A skid stands in ``skids`` once for each placement and each fleet version that changed it within the period.
    ``so_far``: the period was not over then, and the figures end there.
    """

    subject: str
    title: str
    period: str
    fleet: str
    skids: tuple[SkidFigures, ...]
    customer: bool = False
    so_far: datetime | None = None

    @property
    def versions(self) -> list[str]:
        """Beginnings of the digests of the fleet versions that were used."""
        return sorted({one.fleet_version[:12] for one in self.skids if one.fleet_version})

    def for_customer(self) -> Figures:
        """What a customer may be told."""
        return self.model_copy(update={"customer": True, "skids": tuple(one.for_customer() for one in self.skids)})
