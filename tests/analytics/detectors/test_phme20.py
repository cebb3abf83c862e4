"""The filter forecast and the filter detector on recordings of a clogging rig that nobody here made.

PHM Society Europe 2020 data challenge (Ince, Sirkeci & Genc, doi 10.36001/phme.2020.v5i1.1317): 24 runs of water with
particles through a filter until the drop exceeds 20 psi. One second of a recording is one minute of a filter.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics import forecast, past_runs
from analytics.detectors.base import Draft
from analytics.detectors.dp_rise import PLUGIN
from tests.analytics.detectors import build

pytestmark = [pytest.mark.datasets, pytest.mark.slow]

PSI = 6.894757293168
TERMINAL = 20.0 * PSI
USUAL_FLOW = 20.0  # m3/h that the rig's mean flow is shown as
SHARES = (0.25, 0.5, 0.75, 0.9)
UNIT = """
      - id: filter
        type: media_filter
        roles: {flow: FT-301, dp: PDT-301}
        limits: {dp_terminal: {value: 20, unit: "[psi]"}, prompt_hours: {value: 0.5, unit: h}}
"""


@dataclass
class Recording:
    """One run, a minute an entry: m3/h, kPa; the minute at which the drop passed 20 psi; solids and particle size."""

    flow: np.ndarray
    dp: np.ndarray
    life: float
    load: float
    size: str

    def part(self, minutes: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Throughput, drop and condition factor of the minutes with flow, of the first ``minutes``."""
        good = self.flow[:minutes] > 0.3 * USUAL_FLOW
        flow = self.flow[:minutes][good]
        return np.cumsum(flow / 60.0), self.dp[:minutes][good], flow / USUAL_FLOW


@pytest.fixture(scope="module")
def recordings(datasets: Path) -> list[Recording]:
    """The training runs in the order of the file, ten samples a minute."""
    table = pd.read_parquet(datasets / "phme20" / "dev" / "phme20_training.parquet")
    mean_flow = table["flow_ml_min"].median()
    found = []
    for _, run in table.groupby("run", sort=False):
        size = len(run) // 10 * 10

        def minutes(values: pd.Series, size: int = size) -> np.ndarray:
            return values.to_numpy(float)[:size].reshape(-1, 10).mean(axis=1)

        found.append(
            Recording(
                flow=minutes(run["flow_ml_min"]) / mean_flow * USUAL_FLOW,
                dp=minutes(run["p_up_psi"] - run["p_down_psi"]) * PSI,
                life=float(run["life_s"].iloc[0]),
                load=float(run["solid_ratio_pct"].iloc[0]),
                size=str(run["particle_um"].iloc[0]),
            )
        )
    return found


def _past(run: Recording) -> past_runs.PastRun:
    at, dp, factor = run.part(len(run.dp))
    return past_runs.past_run(at, dp, factor, np.arange(1, len(at) + 1) / 60.0, float(at[-1]), run.load)


def _left(library: forecast.Library, run: Recording, minutes: int) -> forecast.Left:
    at, dp, factor = run.part(minutes)
    recent = max(3, int(past_runs.RECENT * len(at)))
    pace = 1.0 / (USUAL_FLOW * float(np.mean(factor[-recent:])))
    answer = forecast.left(library, past_runs.Seen(at, dp, factor, float(at[-1]), pace, run.load), TERMINAL)
    assert answer is not None
    return answer


def test_earlier_runs_of_the_same_water_foretell_the_end(recordings: list[Recording], capsys) -> None:
    """Leaving each run out in turn, the others of its particle size and the load foretell its end.

    Asked for: mean error at most 5 s, 4 % of life at 25, 50 and 75 %, 0.5 % at 90 %; the 80 % interval holds 70 to
    90 % of the time and is at most 10 % of life wide. Simple baselines on the same runs: 6.8 s, 4.1/3.9/3.8/0.3 %.
    """
    errors, held, width = [], [], []
    by_share: dict[float, list[float]] = {share: [] for share in SHARES}
    for run in recordings:
        others = [other for other in recordings if other is not run and other.size == run.size]
        library = forecast.Library(runs=tuple(_past(other) for other in others[:-1]))
        library = forecast.learn(library, _past(others[-1]), TERMINAL)
        for minutes in sorted({*range(10, int(run.life), 11), *(int(s * run.life) for s in SHARES)}):
            if len(run.part(minutes)[0]) < 3:
                continue  # the pump has not started yet
            answer = _left(library, run, minutes)
            error = 60.0 * answer.median - (run.life - minutes)
            errors.append(abs(error))
            held.append(60.0 * answer.low <= run.life - minutes <= 60.0 * answer.high)
            width.append(60.0 * (answer.high - answer.low) / run.life)
            for share in SHARES:
                if minutes == int(share * run.life):
                    by_share[share].append(abs(error) / run.life)
    told = {share: float(np.mean(values)) for share, values in by_share.items()}
    with capsys.disabled():
        print(  # noqa: T201 - the numbers reached are what this test is read for
            f"\nphme20, one left out: MAE {np.mean(errors):.2f} s, % of life "
            + "/".join(f"{100 * told[share]:.1f}" for share in SHARES)
            + f", interval holds {100 * np.mean(held):.0f} % at {100 * np.mean(width):.1f} % of life"
        )
    assert np.mean(errors) <= 5.0
    assert max(told[0.25], told[0.5], told[0.75]) <= 0.04
    assert told[0.9] <= 0.005
    assert 0.70 <= np.mean(held) <= 0.90
    assert np.mean(width) <= 0.10


@dataclass
class Story:
    """What the detector said of one run: positions from its beginning."""

    run: Recording
    opened: list[int]
    forecasts: list[tuple[int, float]]


@pytest.fixture(scope="module")
def stories(recordings: list[Recording]) -> list[Story]:
    """All runs one after the other through the detector as one filter without a wash signal, load unknown."""
    view = build.skid(UNIT, flow=USUAL_FLOW)
    flow = np.concatenate([run.flow for run in recordings])
    running = flow > 0.3 * USUAL_FLOW
    settling = np.zeros(len(flow), dtype=bool)
    begins = np.cumsum([0, *(len(run.dp) for run in recordings)])
    for begin in begins[:-1]:
        settling[begin : begin + 12] = True  # what cleaning does after a start
    data = build.block(
        view,
        {("filter", "flow"): flow, ("filter", "dp"): np.concatenate([run.dp for run in recordings])},
        running=running,
        settling=settling,
    )
    _, drafts = build.run(PLUGIN, view, "filter", data)
    assert {draft.kind for draft in drafts} == {"dp-rise"}
    return [_story(run, begin, end, drafts) for run, begin, end in zip(recordings, begins, begins[1:], strict=False)]


def _story(run: Recording, begin: int, end: int, drafts: list[Draft]) -> Story:
    mine = [d for d in drafts if begin <= d.minute - build.MINUTE0 < end and d.ended is None]
    return Story(
        run,
        [d.minute - build.MINUTE0 - begin for d in mine],
        [
            (d.minute - build.MINUTE0 - begin, (d.forecast.when.timestamp() / 60.0) - d.minute)
            for d in mine
            if d.forecast is not None
        ],
    )


def test_every_run_is_spoken_of_before_its_end_and_none_after_its_wash(stories: list[Story]) -> None:
    """Each of the 24 runs, the first included, gets its draft before 20 psi and none in its first half."""
    for story in stories:
        assert story.opened, "a run went by in silence"
        assert story.opened[0] < story.run.life
        assert story.opened[0] > 0.5 * story.run.life


def test_first_words_are_near_the_truth(stories: list[Story], capsys) -> None:
    """From the second run of each particle size on, the first forecast misses by at most 3 % of life, by median."""
    seen: set[str] = set()
    misses = []
    for story in stories:
        minute, left = story.forecasts[0]
        if story.run.size in seen:
            misses.append(abs(left - (story.run.life - minute)) / story.run.life)
        seen.add(story.run.size)
    with capsys.disabled():
        print(  # noqa: T201
            f"\nphme20 through the detector: first forecast misses by {100 * np.median(misses):.1f} % of life (median)"
        )
    assert len(misses) == 22
    assert np.median(misses) <= 0.03
