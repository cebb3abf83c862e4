"""What is tried: programmes of troubles for one skid each, with a plant of its own for every seed.

A detector and the simulator share formulas, so the plant is never the one of the fleet file: every parameter
and the salinity are 10 to 20 % off what the file says, and every other seed has a brine rich in calcium.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from simulator.plant_file import Event, Plant, SkidStory
from simulator.scenario import Scenario, ScenarioFile, load_scenario
from simulator.streams import generator
from skidhand.fleet import Fleet, Skid

START: Final = datetime(2026, 3, 2, tzinfo=UTC)
SEVERITIES: Final = (1.0, 0.7)
KNOWN_OFF: Final = (0.10, 0.20)
NEVER_OFF: Final = frozenset({"height", "outlet_height", "liners"})  # tape measure and counting: nobody errs by 10 %
CALCIUM: Final = 0.3  # of the dissolved salt by mass, as in the saltier shales (common practice, no source)
JITTER_H: Final = 1.5

Trouble = tuple[str, float, float, dict[str, str]]
"""Event, hour, duration in hours, what it strikes."""


@dataclass(frozen=True, slots=True)
class Programme:
    """``troubles`` of one skid of a packaged fleet within ``hours``; two that touch each other's signs are apart."""

    fleet: str
    skid: str
    hours: float
    plant: dict[str, float | str]
    troubles: tuple[Trouble, ...]


_TF1: Final[dict[str, float | str]] = {"oil": 700, "run_hours": 20}
_TF2: Final[dict[str, float | str]] = {"oil": 900, "run_hours": 18, "law": "intermediate"}
_TF3: Final[dict[str, float | str]] = {
    "oil": 170, "run_hours": 24, "droplet_median_um": 60, "solids": 18, "temperature": 22,
}  # fmt: skip
_LONG: Final[dict[str, float | str]] = {"oil": 600, "solids": 120, "run_hours": 30, "temperature": 28}
_THREE: Final[dict[str, float | str]] = {
    "oil": 1500, "solids": 60, "run_hours": 36, "wash_timer": 96, "temperature": 20, "ambient": 4,
}  # fmt: skip

PROGRAMMES: Final[dict[str, Programme]] = {
    "strainer-reject": Programme("tansy-flat", "tf-skid-1", 200, _TF1, (
        ("strainer-blinding", 40, 40, {}),
        ("strainer-cleaned", 82, 0.25, {}),
        ("flow-step", 92, 4, {}),
        ("reject-ports-plugging", 104, 48, {}),
        ("analyser-fouling", 160, 20, {"tag": "AT-301"}),
    )),
    "washes-slug": Programme("tansy-flat", "tf-skid-2", 216, _TF2, (
        ("incomplete-backwash", 40, 72, {}),
        ("backwash-missed", 120, 24, {}),
        ("reject-back-pressure", 152, 5, {}),
        ("oil-slug", 166, 0.4, {}),
        ("cold-feed", 178, 12, {}),
        ("comms-outage", 202, 3, {}),
    )),
    "membranes-press": Programme("marram-ridge", "mr-long", 216, _LONG, (
        ("lost-prime", 34, 3, {}),
        ("parallel-wash", 42, 0.05, {"unit": "filter-b"}),
        ("salinity-change", 46, 10, {}),
        ("dry-running", 64, 0.5, {}),
        ("membrane-fouling", 72, 110, {}),
        ("cloth-blinding", 72, 60, {}),
        ("shutdown", 190, 2, {}),
        ("sensor-freeze", 198, 6, {"tag": "LT-110"}),
    )),
    "beds-cold": Programme("marram-ridge", "mr-three", 216, _THREE, (
        ("channelling", 36, 10, {"unit": "filter-b"}),
        ("breakthrough", 60, 6, {"unit": "filter-c"}),
        ("chemical-runs-out", 76, 48, {}),
        ("emulsion-pad", 134, 20, {}),
        ("treated-tank-filling", 170, 4, {}),
        ("comms-outage", 171, 2, {}),
        ("power-loss", 184, 1.5, {}),
        ("heat-trace-off", 196, 14, {}),
    )),
    "wear": Programme("tansy-flat", "tf-skid-2", 240, _TF2, (
        ("liner-wear", 40, 90, {}),
        ("stator-wear", 140, 90, {}),
    )),
    "stops-washing": Programme("marram-ridge", "mr-three", 168, _THREE, (
        ("cold-and-traced", 28, 14, {}),
        ("backwash-cycling", 52, 30, {"unit": "filter-a"}),
        ("unplanned-stop", 90, 1, {}),
        ("no-feed", 100, 6, {}),
        ("backwash-stuck", 116, 36, {"unit": "filter-b"}),
    )),
    "look-alikes": Programme("tansy-flat", "tf-skid-1", 216, _TF1, (
        ("flow-step", 30, 5, {}),
        ("cold-feed", 44, 14, {}),
        ("salinity-change", 70, 12, {}),
        ("sensor-freeze", 92, 6, {"tag": "LT-110"}),
        ("analyser-fouling", 104, 20, {"tag": "AT-110"}),
        ("gas-bubbles", 130, 4, {"tag": "AT-202"}),
        ("clock-jump", 140, 3, {}),
        ("comms-outage", 150, 4, {}),
        ("scale-change", 160, 6, {"tag": "PT-203"}),
        ("impulse-line-plugged", 172, 12, {"tag": "PT-202"}),
        ("shutdown", 179, 1, {}),
        ("re-zero", 190, 6, {"tag": "LT-110"}),
        ("calibration", 202, 1, {"tag": "PDT-301"}),
    )),
    "quiet-1": Programme("tansy-flat", "tf-skid-1", 365.25, _TF1, ()),
    "quiet-2": Programme("tansy-flat", "tf-skid-2", 365.25, _TF2, ()),
    "quiet-3": Programme("tansy-flat", "tf-skid-3", 365.25, _TF3, ()),
    "quiet-long": Programme("marram-ridge", "mr-long", 365.25, _LONG, ()),
    "quiet-three": Programme("marram-ridge", "mr-three", 365.25, _THREE, ()),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """One programme lived by one plant."""

    programme: str
    severity: float
    seed: int

    @property
    def id(self) -> str:
        """Unique among the cases of a proof."""
        return f"{self.programme}/{self.severity:g}/{self.seed}"

    @property
    def quiet(self) -> bool:
        """Nothing happens."""
        return not PROGRAMMES[self.programme].troubles


def cases(seeds: range, quiet_months: float, programmes: tuple[str, ...] = ()) -> list[Case]:
    """Every troubled programme at both severities and each seed, and quiet ones for so many skid-months, by turns.

    In an order drawn once, so that whatever is done when a run is stopped is a fair sample of the whole.
    """
    names = [name for name, p in PROGRAMMES.items() if p.troubles and (not programmes or name in programmes)]
    found = [Case(name, severity, seed) for seed in seeds for name in names for severity in SEVERITIES]
    quiet = [name for name, p in PROGRAMMES.items() if not p.troubles and (not programmes or name in programmes)]
    turns = [Case(name, 1.0, seeds.start + n) for n in range(1000) for name in quiet]
    whole = found + turns[: round(2 * quiet_months)]
    return [whole[i] for i in generator(seeds.start, "proof", "order").permutation(len(whole))]


def scenario_of(case: Case) -> tuple[Scenario, Fleet]:
    """(the scenario with the plant as it is, the fleet as its file says): one skid, seeded by the case."""
    programme = PROGRAMMES[case.programme]
    known = load_scenario("demo" if programme.fleet == "tansy-flat" else "long-trains")
    skid = known.fleet.skid(programme.skid)
    assert skid is not None
    random = generator(case.seed, programme.skid, f"proof/{case.programme}/{case.severity:g}")
    story = tuple(
        Event(event=event, at=at + random.uniform(-JITTER_H, JITTER_H), hours=hours, severity=case.severity, **struck)
        for event, at, hours, struck in programme.troubles
    )
    file = ScenarioFile(
        version=1,
        scenario=case.id,
        fleet=programme.fleet,
        start=START,
        hours=programme.hours,
        seed=case.seed,
        skids={skid.id: SkidStory(plant=_plant(programme, case.seed, random), story=story)},
    )
    as_filed = known.fleet.model_copy(update={"skids": (skid,)})
    as_built = known.fleet.model_copy(update={"skids": (_off(skid, random),)})
    return Scenario(file, as_built, known.fleet_path), as_filed


def _plant(programme: Programme, seed: int, random: np.random.Generator) -> Plant:
    """A plant near the programme's: load, oil, solids, runs and temperature of its own."""
    plant = Plant.model_validate({**programme.plant, "calcium": CALCIUM if seed % 2 else 0.0})
    return plant.model_copy(
        update={
            "load": float(random.uniform(0.85, 1.0)),
            "oil": plant.oil * float(random.uniform(0.8, 1.2)),
            "solids": plant.solids * float(random.uniform(0.8, 1.2)),
            "run_hours": plant.run_hours * float(random.uniform(0.85, 1.2)),
            "run_started": float(random.uniform(0.0, 0.6)),
            "temperature": plant.temperature + float(random.uniform(-4.0, 4.0)),
        }
    )


def _off(skid: Skid, random: np.random.Generator) -> Skid:
    """The skid as it stands there: each parameter and the salinity 10 to 20 % above or below the file's."""

    def factor() -> float:
        return 1.0 + float(random.choice((-1.0, 1.0)) * random.uniform(*KNOWN_OFF))

    units = tuple(
        unit.model_copy(
            update={"params": {name: v if name in NEVER_OFF else v * factor() for name, v in unit.params.items()}}
        )
        for unit in skid.units
    )
    water = skid.water
    if water is not None and water.tds is not None:
        water = water.model_copy(update={"tds": water.tds * factor()})
    return skid.model_copy(update={"units": units, "water": water})
