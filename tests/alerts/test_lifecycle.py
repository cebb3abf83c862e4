"""The state machine of prompts: what it allows, what it refuses, and that no path loses a prompt."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts import lifecycle
from alerts.lifecycle import EVENTS, STATES, TABLE, RefusedTransitionError, move, raised, valid
from skidhand.model.prompt import Prompt
from tests.alerts.helpers import NOON


def prompt(state="unacknowledged", **changes):
    """A prompt in some state."""
    base = {
        "id": uuid4(), "code": "4821", "kind": "inspect", "state": state, "priority": "medium", "route": "phone",
        "site": "tansy-4", "skid": "tf-skid-1", "unit": "cyclone", "root": uuid4(), "findings": (uuid4(),),
        "title": "cyclone split drift", "created": NOON, "updated": NOON,
    }  # fmt: skip
    return Prompt.model_validate(base | changes)


def reachable(start):
    """States that some path of events leads to from ``start``."""
    seen, edge = {start}, [start]
    while edge:
        state = edge.pop()
        edge += [after for (before, _), after in TABLE.items() if before == state and after not in seen]
        seen.update(edge)
    return seen


def test_every_state_can_be_reached_and_left():
    """From a new prompt every state can be reached, and from every state a person can be told again."""
    assert reachable("unacknowledged") == set(STATES)
    assert {state: "unacknowledged" in reachable(state) for state in STATES} == dict.fromkeys(STATES, True)


def test_the_plain_path_is_that_of_the_standard():
    """Raise, acknowledge, return: cleared. Raise, return, acknowledge: cleared (ISA-18.2 / IEC 62682)."""
    assert TABLE["unacknowledged", "acknowledge"] == "acknowledged"
    assert TABLE["acknowledged", "return"] == "cleared"
    assert TABLE["unacknowledged", "return"] == "returned-unacknowledged"
    assert TABLE["returned-unacknowledged", "acknowledge"] == "cleared"
    assert TABLE["returned-unacknowledged", "recur"] == "unacknowledged"


def test_a_standing_prompt_is_cleared_by_no_timer_or_logic():
    """Only a return to normal, a person's word or another prompt that takes over clears what stands."""
    clearing = {(before, event) for (before, event), after in TABLE.items() if after == "cleared"}
    assert {event for _, event in clearing} == {
        "return", "acknowledge", "dismiss", "merge", "wake-normal", "release-normal", "back-normal",
    }  # fmt: skip
    assert [before for before, event in clearing if event == "acknowledge"] == ["returned-unacknowledged"]


@given(st.sampled_from(STATES), st.sampled_from(EVENTS))
def test_what_the_table_lacks_is_refused_with_what_is_valid(state, event):
    """An impossible step raises an error that names the state and every event that is possible there."""
    if (state, event) in TABLE:
        moved, row = move(prompt(state), event, at=NOON, who="robin", why="because")
        assert (moved.state, row.before, row.after) == (TABLE[state, event], state, TABLE[state, event])
        return
    with pytest.raises(RefusedTransitionError) as told:
        move(prompt(state), event, at=NOON, who="robin", why="because")
    assert state in str(told.value)
    assert ", ".join(valid(state)) in str(told.value)


@given(st.lists(st.sampled_from(EVENTS), max_size=40))
def test_no_path_loses_a_prompt(events):
    """Whatever comes in whatever order: refused steps change nothing, and the rows retell the whole life."""
    now, changed = prompt(), NOON
    rows = [raised(now, why="split-drift")]
    for event in events:
        changed += timedelta(minutes=1)
        before = now
        try:
            now, row = move(now, event, at=changed, who="robin", why=event)
        except RefusedTransitionError:
            assert now == before
            continue
        rows.append(row)
    assert now.state in STATES
    assert (now.id, now.code, now.findings) == (before.id, before.code, before.findings) if events else True
    assert [row.before for row in rows] == [None, *(row.after for row in rows[:-1])]
    assert rows[-1].after == now.state
    # From wherever it is, a recurrence or worsening, an answer or the end of a quiet time brings it on.
    assert valid(now.state)


def test_shelving_is_forgotten_when_it_ends():
    """A prompt that is not shelved has no time until which it is."""
    until = NOON + timedelta(hours=4)
    shelved, _ = move(prompt(), "shelve", at=NOON, who="robin", why="wait", shelved_until=until)
    assert (shelved.state, shelved.shelved_until) == ("shelved", until)
    awake, _ = move(shelved, "wake", at=until, who="skidhand", why="over")
    assert (awake.state, awake.shelved_until) == ("unacknowledged", None)


def test_a_new_prompt_begins_unacknowledged():
    """A first transition comes from nothing; a prompt in another state can't be new."""
    row = raised(prompt(), why="split-drift")
    assert (row.before, row.after, row.at) == (None, "unacknowledged", NOON)
    with pytest.raises(RefusedTransitionError, match="cleared"):
        raised(prompt("cleared"), why="split-drift")


def test_quiet_states_swallow_what_comes_and_goes():
    """While it is shelved, suppressed or out of service, returning and recurring leave the state alone."""
    for state in lifecycle.QUIET:
        assert {TABLE[state, event] for event in ("return", "recur")} == {state}
