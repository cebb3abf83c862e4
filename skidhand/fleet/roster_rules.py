"""What must hold in a roster: everybody and everything that it names is there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from skidhand import plugins
from skidhand.fleet.model import Fleet
from skidhand.model.kinds import KINDS, PromptKind

Path = tuple[str | int, ...]


def roster_problems(fleet: Fleet) -> Iterator[tuple[Path, str]]:
    """Every broken rule as (path into the file, message)."""
    roster, sites = fleet.roster, {site.id for site in fleet.sites}
    people = {person.id for person in roster.people}
    for path, person in _named(fleet):
        if person not in people:
            yield path, f"no person {person!r}; there are {_list(people) or 'none'}"
    for i, one in enumerate(roster.people):
        for name in ("id", "phone", "email"):
            value = getattr(one, name)
            if value is not None and any(getattr(other, name) == value for other in roster.people[:i]):
                yield ("roster", "people", i, name), f"{value!r} stands already for another person; answers need one"
    for i, duty in enumerate(roster.duties):
        for j, site in enumerate(duty.sites):
            if site not in sites:
                yield ("roster", "duties", i, "sites", j), f"no site {site!r}; there are {_list(sites)}"
    for i, cover in enumerate(roster.cover):
        if cover.to < cover.from_:
            yield ("roster", "cover", i, "to"), f"{cover.person!r} would be back before leaving"
    yield from _skills(fleet)


def _named(fleet: Fleet) -> Iterator[tuple[Path, str]]:
    """Every place of the roster that names a person."""
    for i, duty in enumerate(fleet.roster.duties):
        here: Path = ("roster", "duties", i)
        yield from (((*here, "people", j), person) for j, person in enumerate(duty.people))
        for k, shift in enumerate(duty.shifts):
            yield from (((*here, "shifts", k, "people", j), person) for j, person in enumerate(shift.people))
            for n, crew in enumerate(shift.crews):
                yield from (((*here, "shifts", k, "crews", n, j), person) for j, person in enumerate(crew))
    for i, cover in enumerate(fleet.roster.cover):
        yield ("roster", "cover", i, "person"), cover.person
        if cover.by is not None:
            yield ("roster", "cover", i, "by"), cover.by
    if fleet.roster.dispatcher is not None:
        yield ("roster", "dispatcher"), fleet.roster.dispatcher


def _skills(fleet: Fleet) -> Iterator[tuple[Path, str]]:
    roster = fleet.roster
    has = {skill for person in roster.people for skill in person.skills}
    needs = {*KINDS, *plugins.load("unit_type"), *PromptKind.__args__}  # type: ignore[attr-defined]
    for name, skill in roster.skills.items():
        if name not in needs and "." not in name and "-" not in name:
            yield ("roster", "skills", name), f"{name!r} is no finding kind, unit type or prompt kind"
        if skill not in has:
            yield ("roster", "skills", name), f"nobody has the skill {skill!r}; there are {_list(has) or 'none'}"


def _list(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))
