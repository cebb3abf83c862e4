"""What people wrote down: laboratory results, work on instruments and strainers, deliveries."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import orjson

from simulator.pad import SitePlant, pads
from simulator.scenario import Scenario
from simulator.skid_plant import Acting, SkidPlant
from simulator.streams import generator
from simulator.truth import live
from skidhand.model.entry import Entry

LAB_SPREAD: Final = 0.08  # of a laboratory's oil result, as a share of it (common practice, no source)
METHOD: Final = "EPA 1664"
NAMES: Final = uuid.UUID("0f5c7a4e-6f0b-5d0e-9d3c-5f1f6f4f7a10")  # of simulated entries, so that a seed gives equal ids
TOLD: Final = {
    "strainer-cleaned": ("work", "strainer cleaned", "basket"),
    "calibration": ("calibration", "checked at 0, 50 and 100 %", None),
    "chemical-delivery": ("delivery", "chemical tank filled", None),
}
"""Event → kind of the entry, its text, and what the work sets back to new."""

MENDED: Final = {
    "analyser-fouling": ("work", "analyser window cleaned", "instrument"),
    "zero-drift": ("work", "transmitter zeroed anew", "instrument"),
    "flow-meter-fouled": ("work", "flow meter descaled", "instrument"),
    "liner-wear": ("work", "cyclone liners changed", "liner"),
    "stator-wear": ("work", "stator changed", "stator"),
    "media-loss": ("work", "media changed", "media"),
    "membrane-fouling": ("work", "membranes cleaned", "membrane"),
    "membrane-scaling": ("work", "membranes cleaned with acid", "membrane"),
    "membrane-damage": ("work", "torn element changed", "membrane"),
    "cloth-blinding": ("work", "press cloth changed", "cloth"),
    "cloth-torn": ("work", "press cloth changed", "cloth"),
}
"""The same for faults that end because somebody mends them: told at their end."""


def entries_of(
    scenario: Scenario, *, hours: float | None = None, skids: int | None = None, seed: int | None = None
) -> list[Entry]:
    """Entries of each skid in order of time; the arguments are those of :func:`simulator.generate`."""
    span = scenario.file.hours if hours is None else hours
    number = scenario.file.seed if seed is None else seed
    found: list[Entry] = []
    for pad in pads(scenario, scenario.chosen(skids), number):
        live(pad, span)
        for plant in pad.plants:
            found += _laboratory(plant, scenario.start, number)
        for member in pad.members():
            found += (e for a in member.events for e in _work(a, member.skid.id, scenario.start, span))
        if pad.shared is not None:
            found += _tickets(pad.shared, scenario.start)
    return sorted(found, key=lambda entry: (entry.at, entry.skid or ""))


def write_entries(entries: list[Entry], path: Path | str) -> None:
    """Write ``entries`` as a JSON list."""
    rows = [entry.model_dump(mode="json") for entry in entries]
    Path(path).write_bytes(orjson.dumps(rows, option=orjson.OPT_INDENT_2) + b"\n")


def _laboratory(plant: SkidPlant, start: datetime, seed: int) -> Iterator[Entry]:
    """Grab samples of the treated water with the laboratory's own error."""
    random = generator(seed, plant.skid.id, "laboratory")
    for hour, oil in plant.grabs:
        value = oil * (1.0 + LAB_SPREAD * random.standard_normal())
        data: dict[str, str | float | int | bool | None] = {
            "sample_point": "outlet", "analyte": "oil", "value": round(value, 1), "unit": "mg/L", "method": METHOD,
        }  # fmt: skip
        yield _entry(plant.skid.id, "lab", start + timedelta(hours=hour), "grab sample of treated water", data)


def _tickets(shared: SitePlant, start: datetime) -> Iterator[Entry]:
    """A ticket for each truck that left the shared tank; tickets belong to no skid."""
    for number, minute in enumerate(shared.tank.trucks, start=1):
        data: dict[str, str | float | int | bool | None] = {
            "ticket": f"{shared.skid.id}-{number:04d}", "amount": shared.tank.load, "unit": "m3", "way": "out",
            "carries": "treated-water",
        }  # fmt: skip
        yield _entry(None, "truck", start + timedelta(minutes=minute), f"from {shared.view.units[0].id}", data)


def _work(active: Acting, skid: str, start: datetime, span: float) -> Iterator[Entry]:
    event = active.event
    mended = event.event in MENDED
    at = event.at + (event.hours if mended else 0.0)
    told = (MENDED if mended else TOLD).get(event.event)
    if told is None or at >= span:
        return
    kind, text, resets = told
    data: dict[str, str | float | int | bool | None] = {} if mended else {"hours": event.hours}
    data |= {"tag": event.tag} if event.tag else {"unit_id": active.unit}
    data |= {"resets": resets} if resets else {}
    yield _entry(skid, kind, start + timedelta(hours=at), text, data)


def _entry(
    skid: str | None, kind: str, at: datetime, text: str, data: dict[str, str | float | int | bool | None]
) -> Entry:
    name = uuid.uuid5(NAMES, f"{skid}/{kind}/{at.isoformat()}/{text}")
    return Entry(id=name, at=at, kind=kind, skid=skid, who="simulator", text=text, data=data)
