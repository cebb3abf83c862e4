"""Small stories on the packaged fleet, and the plant states that they lead to."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import yaml

from simulator import Scenario, load_scenario
from simulator.skid_plant import SkidPlant

SEED = 11


def scenario(
    folder: Path, story: list[dict], *, skid: str = "tf-skid-1", hours: float = 24, **blocks: dict
) -> Scenario:
    """A scenario on the packaged fleet that has the skid, with one story for it."""
    text = {
        "version": 1,
        "scenario": "test",
        "fleet": "marram-ridge" if skid.startswith("mr-") else "tansy-flat",
        "start": "2026-03-02T00:00:00Z",
        "hours": hours,
        "seed": SEED,
        "skids": {skid: {"story": story, **blocks}},
    }
    path = folder / "test.yaml"
    path.write_text(yaml.safe_dump(text), encoding="utf-8")
    return load_scenario(path)


class States:
    """Noise-free states of one skid by unit id or type: ``states["hydrocyclone.reject_flow"]``, one value a minute."""

    def __init__(self, played: Scenario, skid: str = "tf-skid-1", hours: float | None = None) -> None:
        self.plant = SkidPlant(played, skid, SEED)
        self._rows = self.plant.run(round((hours or played.file.hours) * 60))[1:]
        types = {unit.id: unit.type.name for unit in reversed(self.plant.view.units)}
        self._columns = {f"{unit}.{role}": i for i, (unit, role) in enumerate(self.plant.columns)}
        for i, (unit, role) in reversed(list(enumerate(self.plant.columns))):
            self._columns[f"{types.get(unit, unit)}.{role}"] = i  # by type: the first of it

    def __getitem__(self, name: str) -> np.ndarray:
        return self._rows[:, self._columns[name]]

    def mean(self, name: str, start: float, end: float) -> float:
        """Mean from hour ``start`` to ``end``."""
        return float(self[name][round(start * 60) : round(end * 60)].mean())

    def drop_ratio(self, start: float, end: float) -> float:
        """Mean pressure drop ratio of the cyclone from hour ``start`` to ``end``."""
        inlet, outlet, reject = (
            self.mean(f"hydrocyclone.{role}_pressure", start, end) for role in ("inlet", "outlet", "reject")
        )
        return (inlet - reject) / (inlet - outlet)
