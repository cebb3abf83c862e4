"""What must hold of a skid's specification: what is named, its unit, and where it is sampled."""

from __future__ import annotations

from collections.abc import Iterator

from skidhand import plugins
from skidhand.fleet.model import Skid
from skidhand.unit_types.base import UnitType
from skidhand.units import same_dimension

Path = tuple[str | int, ...]

LABORATORY = ("ph", "iron", "tss", "h2s", "tds", "chloride", "bacteria", "orp")
"""Lines that a specification may have and no role of the outlet measures: judged by samples."""


def spec_problems(skid: Skid, path: Path) -> Iterator[tuple[Path, str]]:
    """Every broken rule as (path into the file, message)."""
    outlet: UnitType = plugins.get("unit_type", "outlet")
    measured = {name: role for name, role in outlet.roles.items() if not role.state}
    points = {unit.id for unit in skid.units} | {unit.type for unit in skid.units}
    for name, line in skid.spec.items():
        here = (*path, "spec", name)
        if name not in measured and name not in LABORATORY:
            known = ", ".join(sorted((*measured, *LABORATORY)))
            yield here, f"nothing is called {name!r} in a specification; there are {known}"
            continue
        if name in measured and not same_dimension(line.unit, measured[name].unit):
            ppm = line.unit == "[ppm]" and measured[name].unit == "mg/L"
            why = (
                "a limit of [ppm] needs a basis; give it in mg/L"
                if ppm
                else f"it wants a unit like {measured[name].unit!r}"
            )
            yield (*here, "unit"), f"{name} is in {line.unit!r}, but {why}"
        if name in LABORATORY and line.basis != "grab":
            yield (*here, "basis"), f"{name} is measured in samples only, so its basis is 'grab', not {line.basis!r}"
        if line.sample_point is not None and line.sample_point not in points:
            yield (
                (*here, "sample_point"),
                f"no unit {line.sample_point!r} on the skid; there are {', '.join(sorted(points))}",
            )
