"""A series keeps its unit for life; a new tag continues it."""

from __future__ import annotations

import pytest

from skidhand.errors import FleetFileError
from skidhand.fleet import parse_fleet
from skidhand.fleet.change import check_change
from tests.fleet.sample import SAMPLE, changed


def test_a_tag_may_not_change_its_unit():
    """A tag that was in force in another unit, in whichever earlier version, is told once with its line."""
    old = parse_fleet(SAMPLE)
    text, line = changed('PT-201: {unit: "[psi]"}', 'PT-201: {unit: "kPa"}')
    with pytest.raises(FleetFileError) as caught:
        check_change(parse_fleet(text), [old, parse_fleet(SAMPLE + "# again\n")], "f")
    (message,) = str(caught.value).splitlines()
    assert message.startswith(f"f:{line}: skids.0.instruments.PT-201.unit: ")
    assert "'[psi]'" in message
    assert "replaces: PT-201" in message


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('PT-201: {unit: "[psi]"}', 'PT-201: {unit: "[psi]"}\n      PT-202: {unit: "kPa", replaces: PT-201}'),
        ('      LT-801: {unit: "cm"}\n', '      LT-801: {unit: "cm", range: [0, 100]}\n'),
        ("id: hd-2", "id: hd-3"),
    ],
)
def test_other_changes_are_free(old, new):
    """A tag that continues another, a new range, a new skid: none of them changes a series' unit."""
    text, _ = changed(old, new)
    check_change(parse_fleet(text), [parse_fleet(SAMPLE)])


def test_one_tag_on_two_skids():
    """The same tag on another skid is another series."""
    text, _ = changed(
        '    instruments:\n      LT-101: {unit: "m"}\nroster', '    instruments:\n      FT-201: {unit: "m3/h"}\nroster'
    )
    check_change(parse_fleet(text), [parse_fleet(SAMPLE)])
