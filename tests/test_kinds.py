"""The closed list of finding kinds."""

from __future__ import annotations

import pytest

from skidhand import plugins
from skidhand.model.kinds import INSTRUMENT, KINDS, UNTOLD, cause_class


def test_every_kind_arises_on_something_that_there_is():
    """A kind names unit types that exist, or stands for an instrument."""
    types = {*plugins.load("unit_type"), INSTRUMENT}
    assert {on for info in KINDS.values() for on in info.on} <= types
    assert set(UNTOLD) <= set(KINDS)


@pytest.mark.parametrize(
    ("kind", "cause", "expected"),
    [
        ("split-drift", "reject-plugging", "equipment"),
        ("oil-carry-over", "slug", "process"),
        ("dp-rise", "fouling", "operation"),
        ("sensor-drift", "fouled", "instrument"),
        ("sensor-noisy", None, "instrument"),
        ("strainer-blinding", None, "equipment"),
        ("tank-filling", None, "process"),
        # causes of several classes are listed, none is known
        ("split-drift", None, "process"),
        ("oil-carry-over", None, "process"),
        # all listed causes are of one class
        ("incomplete-backwash", None, "equipment"),
    ],
)
def test_an_unknown_cause_never_blames_equipment_that_may_be_well(kind, cause, expected):
    """The class is the listed cause's; without a cause only what can be nothing else is equipment."""
    assert cause_class(kind, cause) == expected
