"""Who is sent which report: a part of the fleet file."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from skidhand.fleet.strict import Id, Strict

if TYPE_CHECKING:
    from skidhand.fleet.model import Fleet

Every = Literal["day", "week", "month"]


class ReportOrder(Strict):
    """A report that is sent by e-mail when its period is over, at ``at`` of the site's own time.

    For a skid that is the site where it stands, for the fleet the first site of the file.
    """

    of: str = Field(pattern=r"^(fleet|(site|skid) [a-z0-9][a-z0-9-]{0,31})$", description="fleet, site ID or skid ID")
    every: Every = Field(description="which periods")
    at: time = Field(time(6), description="when on the day after the period, late data having had some hours")
    to: tuple[Id, ...] = Field(min_length=1, description="people of the roster who have an email; in their language")
    customer: bool = Field(False, description="volumes and quality only; of a site")

    @property
    def subject(self) -> tuple[str, str]:
        """Scope and id; the fleet's id is empty."""
        scope, _, name = self.of.partition(" ")
        return scope, name


def zone_name(fleet: Fleet, order: ReportOrder, now: datetime) -> str:
    """The time zone in which the order's days are counted as of ``now``."""
    scope, name = order.subject
    if scope == "skid":
        skid = fleet.skid(name)
        place = fleet.placement_at(skid, now) if skid else None
        name = place.site if place else ""
    return next((site.timezone for site in fleet.sites if site.id == name), fleet.sites[0].timezone)


def report_problems(fleet: Fleet) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Every broken rule as (path into the file, message)."""
    mailed = {one.id for one in fleet.roster.people if one.email}
    sites, skids = [one.id for one in fleet.sites], [one.id for one in fleet.skids]
    for i, order in enumerate(fleet.reports):
        scope, name = order.subject
        known = sites if scope == "site" else skids
        if scope != "fleet" and name not in known:
            yield ("reports", i, "of"), f"no {scope} {name!r}; there are {', '.join(known) or 'none'}"
        if order.customer and scope != "site":
            yield ("reports", i, "of"), "a customer's report is one of a site: a skid also stands on others' sites"
        for j, person in enumerate(order.to):
            if person not in mailed:
                told = ", ".join(sorted(mailed)) or "none"
                yield ("reports", i, "to", j), f"no person {person!r} with an email in the roster; there are {told}"
