"""The exact minutes at which each detector speaks of the seeded, troubled train."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.engine import builtin_detectors
from tests.analytics.detectors import build
from tests.analytics.detectors.test_contract import DETECTORS, NAMES, _whole

PAGES = Path(__file__).resolve().parents[3] / "docs" / "detectors"

SAID = [
    (
        "split_drift",
        "cyclone",
        [(1414, "reject-plugging", "high", 1404, None), (2034, "reject-plugging", "high", 1404, 2005)],
    ),
    ("sensor_frozen", "tank", [(731, "frozen", "low", 702, None), (902, "frozen", "low", 702, 900)]),
    ("oil_carry_over", "tank", [(1509, "slug", "high", 1495, None), (1629, "slug", "high", 1495, 1600)]),
    ("analyser_drift", "filter", [(1229, "fouled", "low", 870, None)]),
    (
        "strainer_blinding",
        "strainer",
        [(1139, None, "medium", 570, None), (1859, None, "medium", 570, None), (2369, None, "medium", 570, None)],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "unit", "expected"), SAID, ids=[row[0] for row in SAID])
def test_minutes(name: str, unit: str, expected: list[tuple]) -> None:
    """Minute, cause, severity, onset and end of all that is said, as the detector's page tells it."""
    assert [
        (
            d.minute - build.MINUTE0,
            d.cause,
            d.severity,
            d.onset - build.MINUTE0,
            None if d.ended is None else d.ended - build.MINUTE0,
        )
        for d in _whole(name, unit)[1]
    ] == expected


@pytest.mark.parametrize("name", NAMES)
def test_every_detector_has_its_page(name: str) -> None:
    """One page a detector, that names its kinds, says when it is wrong, and where its numbers come from."""
    text = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    assert all(f"`{kind}`" in text for kind in builtin_detectors()[name].kinds)
    for heading in ("**Says**", "**Meaning.**", "**Needs**", "**False alarms.**", "**Example.**", "**Sources.**"):
        assert heading in text


def test_every_page_has_its_detector() -> None:
    """No page speaks of a detector that is not there."""
    assert {path.stem for path in PAGES.glob("*.md")} == {detector.name for detector in DETECTORS}
