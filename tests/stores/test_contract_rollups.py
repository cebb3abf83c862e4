"""Whatever tidy has rolled up, read_buckets gives to the bit what it gives from raw samples."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from skidhand.stores.memory import MemoryStore
from tests.stores.support import BAD, MEMBERS, UNCERTAIN, at, batch

DAYS = [-86_400, 0, 86_400]
ROW = st.tuples(
    st.sampled_from(["a/x", "a/y"]),
    st.builds(lambda day, second: day + second, st.sampled_from(DAYS), st.sampled_from([0, 0.25, 17, 59, 60, 3700])),
    st.sampled_from([0.1, 0.2, 0.7, -1e300, 1 / 3]),
    st.sampled_from([0, 0, UNCERTAIN, BAD]),
    st.integers(0, 3),
)
STEP = st.one_of(
    st.lists(ROW, min_size=1, max_size=8),
    st.sampled_from([100_000, 300_000]),  # tidy at this time
    st.just("read"),
)


def answers(store, **options):
    """Every bucket at a width of minutes and at one made of hours, for every policy."""
    return [
        store.read_buckets(["a/x", "a/y"], at(-90_000), at(91_000), width, policy=policy, **options)
        for width in (60, 43_200)
        for policy in ("good", "usable", "all")
    ]


@pytest.mark.parametrize("name", sorted(MEMBERS.keys() - {"memory"}))
def test_buckets_are_those_of_raw_samples(name):
    """Any order of batches (late ones too), tidies and reads: the buckets equal those of a store without tidy."""

    @settings(max_examples=2 if name == "influx" else 10, deadline=None, derandomize=True)
    @given(steps=st.lists(STEP, min_size=2, max_size=6))
    def holds(steps):
        with tempfile.TemporaryDirectory() as folder:
            store, plain = MEMBERS[name](Path(folder)).open(), MemoryStore()
            for number, step in enumerate([*steps, "read"]):
                if isinstance(step, int):
                    list(store.tidy(now=at(step)))
                elif step == "read":
                    assert answers(store) == answers(plain)
                else:
                    store.write(batch(number, step))
                    plain.write(batch(number, step))

    holds()


def test_an_old_version_is_not_answered_from_newer_rollups(member):
    """Rolled up before or after a late sample, as_of gives the buckets as they were."""
    store = member.open()
    if "as_of" in store.lacks:
        pytest.skip(f"declared: {store.lacks['as_of']}")
    store.write(batch(1, [("a/x", 0, 1.0, 0, 1), ("a/x", 90, 2.0, 0, 91)]))
    list(store.tidy(now=at(300_000)))
    old, before = store.version(), answers(store)
    store.write(batch(2, [("a/x", 30, 7.0, 0, 200_000)]))
    late = answers(store)
    assert late != before
    assert answers(store, as_of=old) == before
    list(store.tidy(now=at(300_000)))
    assert answers(store) == answers(member.open()) == late
    assert answers(store, as_of=old) == before
