"""Who asks, and what they may see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from skidhand.fleet import Fleet, Skid

Role = Literal["customer", "look", "answer", "engineer", "admin"]

ROLES: Final[tuple[Role, ...]] = ("customer", "look", "answer", "engineer", "admin")
"""From the least to the most; each may all that those before it may, but that customers see less than ``look``."""

CUSTOMER_ROLES: Final = frozenset({"flow", "total", "oil", "turbidity", "density", "conductivity", "divert"})
"""Roles of the outlet that a customer sees: volumes and quality."""

Span = tuple[datetime | None, datetime | None]
"""Start and end of what may be seen; None is open."""


@dataclass(frozen=True, slots=True)
class Viewer:
    """Somebody who asks. ``sites`` None: every site. ``csrf`` is empty for tokens and where nobody signs in."""

    name: str
    role: Role
    sites: frozenset[str] | None = None
    person: str | None = None
    csrf: str = ""
    via: Literal["session", "token", "open"] = "session"

    def may(self, role: Role) -> bool:
        """True when this viewer's role is ``role`` or more."""
        return ROLES.index(self.role) >= ROLES.index(role)

    @property
    def customer(self) -> bool:
        """Customers see volumes and quality of their own placements: no causes, names or numbers."""
        return self.role == "customer"

    @property
    def key(self) -> tuple[str, tuple[str, ...] | None]:
        """What decides which data are seen: equal keys see the same."""
        group = "customer" if self.customer else "staff"
        return group, None if self.sites is None else tuple(sorted(self.sites))

    def sees_site(self, site: str) -> bool:
        """True when data of that site may be seen."""
        return self.sites is None or site in self.sites

    def spans(self, fleet: Fleet, skid: Skid) -> Sequence[Span]:
        """The times over which this viewer may see ``skid``: while it stood on one of their sites."""
        if self.sites is None:
            return [(None, None)]
        return [fleet.placement_span(place) for place in skid.placements if place.site in self.sites]

    def clip(self, fleet: Fleet, skid: Skid, start: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
        """The parts of [start, end) that may be seen."""
        parts = ((max(start, a or start), min(end, b or end)) for a, b in self.spans(fleet, skid))
        return [(a, b) for a, b in parts if a < b]

    def sees_at(self, fleet: Fleet, skid: Skid, moment: datetime) -> bool:
        """True when what was so at ``moment`` may be seen."""
        return any((a is None or a <= moment) and (b is None or moment < b) for a, b in self.spans(fleet, skid))

    def sees_skid(self, fleet: Fleet, skid: Skid) -> bool:
        """True when any of its time may be seen."""
        return bool(self.spans(fleet, skid))

    def places(self, fleet: Fleet) -> dict[str, str]:
        """Names by id of all that findings and prompts may be about: skids, sites with tanks that are shared, and
        for who sees every site skidhand itself, whose id is empty."""
        named = {skid.id: skid.name for skid in fleet.skids if self.sees_skid(fleet, skid)}
        named |= {site.id: site.name for site in fleet.sites if site.units and self.sees_site(site.id)}
        return {**named, "": ""} if self.sites is None else named

    def tags(self, skid: Skid) -> list[str]:
        """The instruments that may be seen: a customer's are those of the outlet."""
        if not self.customer:
            return list(skid.instruments)
        outlets = (unit for unit in skid.units if unit.type == "outlet")
        shown = {tag for unit in outlets for role, tag in unit.roles.items() if role in CUSTOMER_ROLES}
        return [tag for tag in skid.instruments if tag in shown]


ANYONE: Final = Viewer("", "look", via="open")
"""Whoever sits at this host, where there are no users yet and the board is open."""
