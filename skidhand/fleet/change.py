"""What must hold between a fleet file and the versions that were in force before it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import yaml

from skidhand.errors import FleetFileError
from skidhand.fleet.load import FleetVersion, report
from skidhand.fleet.model import Fleet
from skidhand.fleet.rules import Problem


def check_change(new: FleetVersion, earlier: Iterable[FleetVersion], name: str = "fleet file") -> None:
    """Raise FleetFileError, with lines, when ``new`` gives a tag that was in force another unit.

    What is in the store was written in the unit of then; a new tag with ``replaces`` continues the series.
    """
    found = dict.fromkeys(problem for old in earlier for problem in _units_changed(old.fleet, new.fleet))
    node = yaml.compose(new.text, Loader=yaml.SafeLoader)
    if found and node is not None:
        raise FleetFileError(report(name, node, list(found)))


def _units_changed(old: Fleet, new: Fleet) -> Iterator[Problem]:
    for i, skid in enumerate(new.skids):
        before = old.skid(skid.id)
        for tag, instrument in skid.instruments.items() if before else ():
            was = before.instruments.get(tag) if before else None
            if was is not None and was.unit != instrument.unit:
                yield (
                    ("skids", i, "instruments", tag, "unit"),
                    f"{tag} has been stored in {was.unit!r} and cannot become {instrument.unit!r}; "
                    f"give the new scale a new tag with 'replaces: {tag}'",
                )
