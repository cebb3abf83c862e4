"""Which cautions work on a finding's unit carries."""

from __future__ import annotations

from skidhand import plugins
from skidhand.fleet.model import Fleet
from skidhand.model.finding import Finding
from skidhand.model.kinds import INSTRUMENT, KINDS


def hazards_of(finding: Finding, fleet: Fleet) -> frozenset[str]:
    """Every hazard: of the kind, of the unit's type, and as the detector says.

    An instrument's finding carries those of every unit that the instrument serves.
    """
    skid = fleet.skid(finding.skid)
    units = skid.units if skid else ()
    types = {unit.type for unit in units if finding.unit == unit.id or finding.unit in unit.roles.values()}
    info = KINDS.get(finding.kind)
    if not types and info is not None:
        types = {"skid" if on == INSTRUMENT else on for on in info.on}
    known = plugins.load("unit_type")
    by_type = (known[name].member.hazards for name in types if name in known)
    return frozenset(finding.hazards).union(info.hazards if info else (), *by_type)
