"""What people logged in a scenario."""

from datetime import timedelta

import pytest

from simulator import entries_of
from simulator.entries import MENDED, TOLD
from simulator.faults import FAULTS
from skidhand.model.entry_kinds import WorkDone
from tests.simulator.story import scenario


@pytest.mark.parametrize(
    ("event", "tag", "unit", "resets", "hour"),
    [
        ("strainer-cleaned", None, "strainer", "basket", 1.0),
        ("liner-wear", None, "cyclone", "liner", 1.5),
        ("media-loss", None, "filter-a", "media", 1.5),
        ("analyser-fouling", "AT-301", None, "instrument", 1.5),
    ],
)
def test_work_says_what_it_sets_back_to_new(tmp_path, event, tag, unit, resets, hour):
    """Work that is itself an event is told when it begins, work that ends a fault when it is done."""
    story = [{"event": event, "at": 1, "hours": 0.5} | ({"tag": tag} if tag else {})]
    played = scenario(tmp_path, story, hours=2)
    (entry,) = entries_of(played, skids=1)
    assert entry.kind == "work"
    assert entry.at - played.start == timedelta(hours=hour)
    done = WorkDone.model_validate(entry.data)
    assert (done.tag, done.unit_id, done.resets) == (tag, unit, resets)


def test_every_work_belongs_to_a_fault_and_passes_the_logbooks_own_check():
    """Names are those of --list; what is reset can stand in an entry."""
    for name, (kind, _, resets) in (TOLD | MENDED).items():
        assert name in FAULTS
        if kind == "work":
            WorkDone(tag="AT-1", unit_id="a", resets=resets)
