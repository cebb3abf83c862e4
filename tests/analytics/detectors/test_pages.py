"""Every detector has a page, and every page a detector."""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.engine import builtin_detectors
from tests.analytics.detectors.test_contract import DETECTORS, NAMES

PAGES = Path(__file__).resolve().parents[3] / "docs" / "detectors"


@pytest.mark.parametrize("name", NAMES)
def test_every_detector_has_its_page(name: str) -> None:
    """One page a detector, that names its kinds, says when it is wrong, and where its numbers come from."""
    text = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    assert all(f"`{kind}`" in text for kind in builtin_detectors()[name].kinds)
    for heading in ("**Says**", "**Meaning.**", "**Needs**", "**False alarms.**", "**Example", "**Sources.**"):
        assert heading in text


def test_every_page_has_its_detector() -> None:
    """No page speaks of a detector that is not there."""
    assert {path.stem for path in PAGES.glob("*.md")} == {detector.name for detector in DETECTORS}
