"""The fleet file: models, loading with line numbers, cross-checks, and the view that rooms calculate with."""

from skidhand.fleet.load import FleetVersion, load_fleet, parse_fleet
from skidhand.fleet.model import Fleet, Instrument, Placement, Site, Skid, Unit
from skidhand.fleet.view import SkidView, UnitView, site_view, skid_view

__all__ = [
    "Fleet",
    "FleetVersion",
    "Instrument",
    "Placement",
    "Site",
    "Skid",
    "SkidView",
    "Unit",
    "UnitView",
    "load_fleet",
    "parse_fleet",
    "site_view",
    "skid_view",
]
