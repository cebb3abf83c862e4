"""The fleet file, version 1, as pydantic models. Cross-references are judged in ``rules``."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator, model_validator

from skidhand.fleet.quality import Checks, Reduce
from skidhand.fleet.reports import ReportOrder
from skidhand.fleet.retention import Retention
from skidhand.fleet.roster import Roster
from skidhand.fleet.strict import Id, Strict, Tag
from skidhand.units import check_unit


def _ucum(code: str) -> str:
    try:
        check_unit(code)
    except Exception as error:
        raise ValueError(str(error)) from error
    return code


class Amount(Strict):
    """A number with its UCUM unit."""

    value: float
    unit: str

    _unit = field_validator("unit")(_ucum)


class Instrument(Strict):
    """What one tag is. ``unit`` is the UCUM code of the stored value and never changes for a tag."""

    unit: str
    range: tuple[float, float] | None = None
    note: str = ""
    reporting: Literal["periodic", "on_change"] = "periodic"
    period: float | None = Field(None, gt=0, description="expected seconds between samples")
    interval: float | None = Field(None, gt=0, description="expected seconds between samples (same as period)")
    deadband: float | None = Field(None, ge=0)
    signal: Literal["4-20mA"] | None = None
    alias: str | None = Field(None, min_length=1, max_length=128, description="its name on the wire")
    retention: str | None = Field(None, alias="class")
    checks: Checks | None = None
    reduce: Reduce | None = None
    replaces: Tag | None = None
    calibrated: date | None = None
    due_days: int | None = Field(None, gt=0)
    total: bool = False
    rollover: float | None = Field(None, gt=0)
    states: dict[int, str] | None = None
    basis: Literal["mass", "volume"] | None = Field(None, description="what a bare ppm means")

    _unit = field_validator("unit")(_ucum)

    @field_validator("range")
    @classmethod
    def _ordered(cls, value: tuple[float, float] | None) -> tuple[float, float] | None:
        if value is not None and value[0] >= value[1]:
            raise ValueError(f"the range must rise, got {list(value)}")
        return value

    @property
    def expected_s(self) -> float | None:
        """Seconds between samples that the file promises, if it does."""
        return self.interval or self.period


class Placement(Strict):
    """Where a skid stands from a day on (start of that day in the site's time zone) until ``to``."""

    site: Id
    from_: date | datetime = Field(alias="from")
    to: date | datetime | None = None


class Unit(Strict):
    """A treatment unit; units are listed in flow order, ``feeds`` names where its water goes otherwise."""

    id: Id
    type: str
    roles: dict[str, Tag] = Field({})
    params: dict[str, float | Amount] = Field({})
    limits: dict[str, float | Amount] = Field({})
    feeds: tuple[str, ...] | None = None
    holds: Literal["oil", "waste", "sludge", "treated-water", "feed", "chemical"] | None = None
    note: str = ""


class Water(Strict):
    """What the skid treats, until instruments or the laboratory say otherwise."""

    tds: float = Field(gt=0)
    tds_unit: str = "mg/L"
    oil_api_gravity: float | None = Field(None, gt=0, le=100)

    _unit = field_validator("tds_unit")(_ucum)


class SpecLimit(Strict):
    """One quality limit and the basis on which alone it is judged."""

    limit: float = Field(gt=0)
    unit: str
    basis: str = Field(description="grab, or a window such as 1h or 30d")
    method: str | None = None
    sample_point: str | None = None

    _unit = field_validator("unit")(_ucum)

    @field_validator("basis")
    @classmethod
    def _basis(cls, value: str) -> str:
        number, unit = value[:-1], value[-1:]
        if value != "grab" and not (number.isdigit() and int(number) > 0 and unit in ("h", "d")):
            raise ValueError(f"basis {value!r} must be 'grab' or a window such as '1h' or '30d'")
        return value


class Skid(Strict):
    """One skid: an asset that moves from pad to pad."""

    id: Id
    name: str
    placements: tuple[Placement, ...] = Field(min_length=1)
    design_flow: float | None = Field(None, gt=0)
    flow_unit: str = "m3/h"
    backwash_by: Literal["person", "controller"] = "person"
    instruments: dict[Tag, Instrument]
    units: tuple[Unit, ...] = ()
    water: Water | None = None
    spec: dict[str, SpecLimit] = Field({})

    _unit = field_validator("flow_unit")(_ucum)


class Site(Strict):
    """A pad; shared tanks stand under it as units with their own instruments."""

    id: Id
    name: str
    timezone: str
    instruments: dict[Tag, Instrument] = Field({})
    units: tuple[Unit, ...] = ()

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError(f"time zone {value!r} is unknown; use an IANA name such as 'America/Chicago' or 'UTC'")
        return value


class Fleet(Strict):
    """The whole file."""

    version: Literal[1]
    fleet: str = Field(min_length=1)
    owner: str = ""
    sites: tuple[Site, ...] = Field(min_length=1)
    skids: tuple[Skid, ...] = ()
    roster: Roster = Roster()
    reports: tuple[ReportOrder, ...] = Field((), description="who is sent which report")
    retention: dict[str, Retention] = Field({}, description="class of instruments: how long their data are kept")

    @model_validator(mode="before")
    @classmethod
    def _version_first(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("version") != 1:
            raise ValueError(
                f"version must be 1, got {data.get('version')!r}; this program reads fleet files of version 1"
            )
        return data

    def site(self, site_id: str) -> Site:
        """The site of that id; KeyError if there is none."""
        return next(s for s in self.sites if s.id == site_id) if site_id in {s.id for s in self.sites} else _no(site_id)

    def skid(self, skid_id: str) -> Skid | None:
        """The skid of that id, or None."""
        return next((s for s in self.skids if s.id == skid_id), None)

    def placement_at(self, skid: Skid, moment: datetime) -> Placement | None:
        """Where the skid stood at ``moment`` (aware), or None when it stood nowhere."""
        for placement in skid.placements:
            start, end = self.placement_span(placement)
            if start <= moment and (end is None or moment < end):
                return placement
        return None

    def placement_span(self, placement: Placement) -> tuple[datetime, datetime | None]:
        """Start and end (None: still there) of a placement in UTC."""
        zone = ZoneInfo(self.site(placement.site).timezone)
        end = None if placement.to is None else _instant(placement.to, zone)
        return _instant(placement.from_, zone), end


def _no(site_id: str) -> Site:
    raise KeyError(site_id)


def _instant(value: date | datetime, zone: ZoneInfo) -> datetime:
    if isinstance(value, datetime):
        return (value if value.tzinfo else value.replace(tzinfo=zone)).astimezone(UTC)
    return datetime.combine(value, time(), zone).astimezone(UTC)
