"""Any sequence of batches, in any tidy state, reads as a plain dict would say."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.stores.support import MEMBERS, at, batch, points, read_all

ROW = st.tuples(
    st.sampled_from(["a/x", "a/y", "b/x"]),
    st.sampled_from([0, 1, 86_399.999999, 86_400, 200_000]),
    st.sampled_from([1.0, 2.0, 3.0, 4.0]),
    st.just(0),
    st.integers(0, 3),
)
STEP = st.one_of(
    st.tuples(st.sampled_from("uvw"), st.lists(ROW, max_size=6)),
    st.sampled_from([0, 100_000, 900_000]),  # tidy at this time
)


@pytest.mark.parametrize("name", sorted(MEMBERS))
def test_reads_as_a_dict_would(name):
    """Of each key the row that is last in (received, writer, batch, row) is read, whatever tidy did between."""

    @settings(max_examples=25, deadline=None, derandomize=True)
    @given(steps=st.lists(STEP, max_size=8))
    def holds(steps):
        with tempfile.TemporaryDirectory() as folder:
            store = MEMBERS[name](Path(folder)).open()
            model: dict[tuple, tuple] = {}
            for number, step in enumerate(steps):
                if isinstance(step, int):
                    list(store.tidy(now=at(step)))
                    continue
                writer, rows = step
                store.write(batch(number, rows, writer=writer))
                for place, (series, time, value, _, received) in enumerate(rows):
                    candidate = (received, writer, number, place, value)
                    key = (series, time)
                    model[key] = max(model.get(key, candidate), candidate)
            expected = [(*key, model[key][-1]) for key in sorted(model)]
            assert points(read_all(store)) == expected
            assert store.series() == sorted({series for series, _ in model})
            newest = {series: (series, time, won[-1]) for (series, time), won in sorted(model.items())}
            assert points(store.latest(list(newest))) == list(newest.values())

    holds()
