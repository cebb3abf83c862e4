"""``python -m benchmarks.ablate``: what each part of the detectors buys, on plants of the tuning seeds.

A detector is left out by forgetting what it said, and that it was anything's root. A part inside of one is replaced,
from here, by what there would be without it, and the cases are analysed and judged again as in the proof.
"""

from __future__ import annotations

import argparse
import functools
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np

from analytics.engine import builtin_detectors
from analytics.scoring import FORECASTS
from benchmarks.proof.cases import Case, scenario_of
from benchmarks.proof.figures import figures
from benchmarks.proof.run import Record, analyse, judge, live
from simulator.truth import truth_of
from skidhand.model.finding import Finding
from skidhand.model.truth import Truth

CASES: Final = (
    "strainer-reject/0.7/2", "washes-slug/0.7/2", "membranes-press/0.7/2", "beds-cold/1/2", "wear/1/2",
    "stops-washing/1/2", "look-alikes/1/2", "quiet-1/1/1",
)  # fmt: skip
FILTERS: Final = ("strainer-reject", "washes-slug", "beds-cold", "stops-washing", "quiet-1")

PARTS: Final[dict[str, tuple[str, Callable[..., Any], tuple[str, ...]]]] = {
    "spikes": ("analytics.spikes.find_spikes", lambda tag, *_: np.zeros(len(tag), dtype=np.bool_), ()),
    "frozen readings": ("analytics.blocks._freeze", lambda _rules, minutes, _running, carry: (minutes, carry), ()),
    "partners of a frozen reading": ("analytics.frozen._partners_move", lambda moved, _: np.ones_like(moved), ()),
    "settling": ("analytics.masks.settling_mask", lambda _, running, *more: (np.zeros_like(running), more[-1]), ()),
    "the water's temperature": ("analytics.conditions.Water.celsius", lambda _, b: np.full(len(b), np.nan), ()),
    "a tank's own usual": ("analytics.detectors.oil_carry_over._learn", lambda *_: None, ()),
    "drift by its shape": ("analytics.drift_shape.steady", lambda _: True, ()),
    "filters side by side": ("analytics.filter_bank.beside", lambda *_: (), ("beds-cold", "stops-washing")),
    "earlier runs": ("analytics.forecast.learn", lambda library, *_: library, FILTERS),
    "interval checked on earlier runs": ("analytics.forecast._calibrated", lambda *_: (1.0, 1.0), FILTERS),
    "load of a run": ("analytics.run_shapes.load_exponent", lambda *_: 0.0, FILTERS),
    "earlier runs carried on by blocking laws": ("analytics.blocking.extend", lambda *_: None, FILTERS),
    "the run's own curve": ("analytics.blocking.extrapolate", lambda *_: None, FILTERS),
    "slugs in a run": ("analytics.filter_drafts.slug_came", lambda _: False, FILTERS),
    "washes by the clock": ("analytics.filter_runs.by_clock", lambda *_: None, FILTERS),
}
"""By name: what is replaced, by what, and the programmes to which it may matter (all, where none is named)."""

Analysed = tuple[list[Finding], list[Record], float, int]
"""Findings, forecasts, seconds of processor, how often the replaced part was asked."""


def main(arguments: list[str]) -> int:
    """Run the cases with and without each part, and print a table."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.ablate", description=__doc__)
    parser.add_argument("--case", nargs="+", default=CASES, metavar="PROGRAMME/SEVERITY/SEED")
    parser.add_argument("--part", nargs="+", default=[*PARTS], choices=PARTS)
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--work", type=Path, default=Path("ablate-work"), help="where the plants' samples are kept")
    given = parser.parse_args(arguments)
    cases = [Case(name, float(severity), int(seed)) for name, severity, seed in (c.split("/") for c in given.case)]
    wanted: list[tuple[str | None, Case]] = [(None, case) for case in cases]
    wanted += [(part, case) for part in given.part for case in cases if _matters(part, case)]
    with ProcessPoolExecutor(given.jobs) as pool:
        list(pool.map(prepare, cases, [given.work] * len(cases)))
        waiting = {(part, case): pool.submit(analysed, part, case, given.work) for part, case in wanted}
        done = {key: one.result() for key, one in waiting.items()}
    whole = {case: done[None, case] for case in cases}
    sys.stdout.write(HEAD + _line("everything", whole, whole))
    sys.stdout.write(_line("roots", whole, {case: (_alone(one[0], set()), *one[1:]) for case, one in whole.items()}))
    for name in sorted(builtin_detectors()):
        said = {case: one for case, one in whole.items() if any(f.detector == name for f in one[0])}
        sys.stdout.write(_line(f"`{name}`", said, {case: _without(name, one) for case, one in said.items()}))
    for part in given.part:
        less = {case: done[part, case] for case in cases if (part, case) in done}
        sys.stdout.write(_line(part, {case: whole[case] for case in less}, less))
    return 0


def prepare(case: Case, work: Path) -> None:
    """The samples of a case, unless they are there."""
    if not (_folder(case, work) / "fleet.yaml").exists():
        _folder(case, work).mkdir(parents=True, exist_ok=True)
        live(*scenario_of(case), _folder(case, work))


def analysed(part: str | None, case: Case, work: Path) -> Analysed:
    """A case without ``part``."""
    truth, began = _truth(case), time.process_time()
    if part is None:
        return *analyse(truth, _folder(case, work)), time.process_time() - began, 0
    with replaced(*PARTS[part][:2]) as asked:
        return *analyse(truth, _folder(case, work)), time.process_time() - began, asked[0]


@contextmanager
def replaced(target: str, instead: Callable[..., Any]) -> Iterator[list[int]]:
    """``instead`` stands wherever analytics has ``target``; gives how often it was called.

    What analytics remembers of earlier calls was made with the other one, so it is forgotten before and after.
    """
    builtin_detectors()  # all modules that may have it are loaded
    module, _, name = target.rpartition(".")
    owner, _, kind = module.rpartition(".")
    holder: Any = getattr(import_module(owner), kind) if kind[:1].isupper() else import_module(module)
    known, asked = getattr(holder, name), [0]

    @functools.wraps(known)
    def counted(*arguments: Any, **more: Any) -> Any:
        asked[0] += 1
        return instead(*arguments, **more)

    loaded = [m for n, m in sys.modules.items() if n == "analytics" or n.startswith("analytics.")]
    places = {id(p): p for p in (holder, *loaded) if getattr(p, name, None) is known}.values()
    caches = [f for m in loaded for f in vars(m).values() if hasattr(f, "cache_clear")]
    try:
        for place in places:
            setattr(place, name, counted)
        for cache in caches:
            cache.cache_clear()
        yield asked
    finally:
        for place in places:
            setattr(place, name, known)
        for cache in caches:
            cache.cache_clear()


def _matters(part: str, case: Case) -> bool:
    return not PARTS[part][2] or case.programme in PARTS[part][2]


def _folder(case: Case, work: Path) -> Path:
    return work / case.id.replace("/", "_")


@functools.cache
def _truth(case: Case) -> Truth:
    return truth_of(scenario_of(case)[0])


def _without(detector: str, one: Analysed) -> Analysed:
    left = [f for f in one[0] if f.detector != detector]
    forecasts = one[1] if any(f.kind in FORECASTS for f in left) else []
    return _alone(left, {f.id for f in left}), forecasts, *one[2:]


def _alone(findings: Sequence[Finding], roots: set[Any]) -> list[Finding]:
    """``findings`` that have no root but one of ``roots``."""
    return [f if f.root in roots else f.model_copy(update={"root": None}) for f in findings]


HEAD: Final = (
    "| without | cases | found in time | true | cause right | equipment by look-alikes | interval covers (first, last) "
    "| median error, h (first, last) | s of processor |\n|---|---|---|---|---|---|---|---|---|\n"
)


def _line(name: str, whole: dict[Case, Analysed], less: dict[Case, Analysed]) -> str:
    """Each figure with everything → without, and alone where they are equal."""
    if not less:
        return f"| {name} | 0 | said nothing in these cases |\n"
    if name in PARTS and not any(one[3] for one in less.values()):
        return f"| {name} | {len(less)} | was never asked |\n"
    pairs = zip(_figures(whole), _figures(less), strict=True)
    cells = [one if one == other else f"{one} → **{other}**" for one, other in pairs]
    spent = [f"{sum(one[2] for one in some.values()):.0f}" for some in (whole, less)]
    cells.append(spent[0] if name not in PARTS else f"{spent[0]} → {spent[1]}")
    return f"| {name} | {len(less)} | {' | '.join(cells)} |\n"


def _figures(some: dict[Case, Analysed]) -> list[str]:
    records = [judge(case, _truth(case), one[0], one[1]) for case, one in some.items()]
    found = figures(records)
    shares = [found["found_in_time"], found["findings_true"], found["cause_right"]]
    runs = [found["forecast_coverage"][which] for which in ("first", "last")]
    return [
        *(f"{one['hits']} of {one['of']}" for one in shares),
        str(found["equipment_by_lookalikes"]["count"]),
        ", ".join(f"{one['hits']} of {one['of']}" for one in runs),
        ", ".join(f"{one['median_error_h']:+.1f}" if one["of"] else "-" for one in runs),
    ]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
