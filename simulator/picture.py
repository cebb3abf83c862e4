"""Draws what happened in a scenario, so that an engineer can judge whether it looks like a plant."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from PIL import Image

from simulator.pad import Pad, SitePlant, pads
from simulator.scenario import Scenario
from simulator.skid_plant import Acting, SkidPlant, whole_minutes
from simulator.streams import Floats
from skidhand.unit_types.hydrocyclone import pressure_drop_ratio, reject_ratio

MOST_SKIDS: Final = 3
POINTS: Final = 1600
DAY_MINUTES: Final = 1440
LEAST_SPAN: Final = 0.3  # of what it shows that an axis spans, so that what is steady looks steady
LEAST_DRAWN: Final = 0.01  # on a log axis
NAMED: Final = ("buffer_tank", "chemical")  # drawn under their own ids
COLOURS: Final = 200  # of the file, to keep it small
INK: Final = ("#1b4965", "#c8553d", "#5b8e7d", "#8d6a9f", "#b58900", "#555555")
BAND: Final = {"fault": "#f4c7b8", "look-alike": "#d7e3ea"}


@dataclass(frozen=True, slots=True)
class Panel:
    """One axis: what it shows (unit type and role, words) and how."""

    title: str
    lines: tuple[tuple[str, str, str], ...]
    log: bool = False
    asked: tuple[tuple[str, str], ...] = ()  # drawn only where the fleet file has an instrument for one of these


PANELS: Final = (
    Panel("flow, m³/h", (("weir_tank", "inlet_flow", "from pad"), ("feed_pump", "flow", "pumped"),
                         ("outlet", "flow", "treated"))),
    Panel("level, m", (("weir_tank", "level", "weir tank"), ("weir_tank", "interface_level", "interface"),
                       ("buffer_tank", "level", "tank"), ("chemical", "level", "chemical"))),
    Panel("oil, mg/L", (("weir_tank", "outlet_oil", "after tank"), ("hydrocyclone", "outlet_oil", "after cyclone"),
                        ("flotation", "outlet_oil", "after flotation"), ("outlet", "oil", "treated")), log=True),
    Panel("pressure drop, kPa", (("strainer", "dp", "strainer"), ("media_filter", "dp", "filter"))),
    Panel("pump, 1/min", (("feed_pump", "speed", "speed"),), asked=(("feed_pump", "stator_temperature"),)),
    Panel("pump, °C", (("feed_pump", "stator_temperature", "stator"),), asked=(("feed_pump", "stator_temperature"),)),
    Panel("dose command, %", (("chemical", "dose_command", "chemical"),)),
    Panel("pH", (("flotation", "ph", "flotation"),)),
    Panel("osmosis, kPa", (("reverse_osmosis", "feed_pressure", "feed"),
                           ("reverse_osmosis", "concentrate_pressure", "concentrate"))),
    Panel("permeate, m³/h", (("reverse_osmosis", "permeate_flow", "flow"),)),
    Panel("permeate, mS/cm", (("reverse_osmosis", "permeate_conductivity", "conductivity"),)),
    Panel("press, kPa", (("filter_press", "feed_pressure", "feed"),)),
    Panel("temperature, °C", (("skid", "ambient_temperature", "outside"), ("skid", "line_temperature", "line"),
                              ("weir_tank", "temperature", "water")), asked=(("skid", "line_temperature"),)),
)  # fmt: skip


def draw(
    scenario: Scenario, path: Path | str, *, hours: float | None = None, skids: int | None = None,
    seed: int | None = None,
) -> int:  # fmt: skip
    """Draw noise-free states and events of the first skids (at most 3) to a PNG at ``path``; gives how many."""
    matplotlib.use("Agg")
    span = scenario.file.hours if hours is None else hours
    number = scenario.file.seed if seed is None else seed
    told = sorted(scenario.chosen(skids), key=lambda skid: not scenario.story(skid).story)[:MOST_SKIDS]
    lives = [life for pad in pads(scenario, told, number) for life in _lives(pad, span)]
    panels = [[p for p in PANELS if life.has(p)] for life in lives]
    ratios = any(life.ratio is not None for life in lives)
    rows = max(len(p) for p in panels) + ratios
    figure = Figure(figsize=(5.2 * len(lives) + 0.4, 1.35 * rows + 1.6), dpi=90, layout="constrained")
    columns = figure.subfigures(1, len(lives), squeeze=False)[0]  # each lays out its own: no gap for another's labels
    for column, life, own in zip(columns, lives, panels, strict=True):
        _column(list(column.subplots(rows, 1, squeeze=False, sharex=True)[:, 0]), life, own, span)
    figure.suptitle(f"{scenario.name}: {scenario.fleet.fleet}, {span:g} h from {scenario.start:%Y-%m-%d %H:%M} UTC")
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    _small(Image.open(buffer).convert("RGB")).save(path, optimize=True)
    return len(told)


def _small(image: Image.Image) -> Image.Image:
    """The image in the inks and the colours that it has most of; only soft edges change. PIL's own ways mix inks up."""
    codes = np.asarray(image, dtype=np.int64) @ np.array([65536, 256, 1])
    found, places, counts = np.unique(codes, return_inverse=True, return_counts=True)
    inks = [int(ink.removeprefix("#"), 16) for ink in INK]
    kept = np.concatenate([inks, found[np.argsort(-counts)[: COLOURS - len(inks)]]])
    parts, shades = (np.stack([c >> 16, c >> 8 & 255, c & 255], axis=1) for c in (found, kept))
    nearest = ((parts[:, None] - shades[None]) ** 2).sum(axis=2).argmin(axis=1)
    small = Image.fromarray(nearest[places].reshape(codes.shape).astype(np.uint8), "P")
    small.putpalette(shades.astype(np.uint8).tobytes())
    return small


def _lives(pad: Pad, span: float) -> list[_Life]:
    """Each member's life, lived a day at a time to keep memory flat."""
    total = whole_minutes(span)
    stride = max(1, total // POINTS)
    parts: list[list[Floats]] = []
    left, offset = total, 0
    while left > 0:
        count = min(left, DAY_MINUTES)
        parts.append([rows[1:][offset::stride] for rows in pad.run(count)])
        offset = -(count - offset) % stride
        left -= count
    return [
        _Life(plant, np.concatenate(rows), stride)
        for plant, rows in zip(pad.members(), zip(*parts, strict=True), strict=True)
    ]


class _Life:
    """Thinned-out states of one skid or shared tank."""

    def __init__(self, plant: SkidPlant | SitePlant, rows: Floats, stride: int) -> None:
        self.plant = plant
        self.hours = np.arange(len(rows)) * stride / 60.0
        self._columns = {name: rows[:, i] for i, name in enumerate(plant.columns)}
        self.ratio = self._ratio()

    def of(self, unit_type: str, role: str) -> list[tuple[str, Floats]]:
        """(unit id, series) of every unit of a type."""
        return [(unit.id, self._columns[unit.id, role]) for unit in self.plant.view.of_type(unit_type)]

    def has(self, panel: Panel) -> bool:
        """Whether the skid has anything to show in it."""
        if panel.asked and not any(role in u.tags for kind, role in panel.asked for u in self.plant.view.of_type(kind)):
            return False
        return any(self.plant.view.of_type(kind) for kind, _, _ in panel.lines)

    def _ratio(self) -> tuple[Floats, Floats] | None:
        """(split in %, pressure drop ratio) of the cyclone."""
        if not self.plant.view.of_type("hydrocyclone"):
            return None
        get = {role: self.of("hydrocyclone", role)[0][1] for role in (
            "reject_flow", "inlet_flow", "inlet_pressure", "outlet_pressure", "reject_pressure")}  # fmt: skip
        split = reject_ratio(get["reject_flow"], get["inlet_flow"]) * 100.0
        ratio = pressure_drop_ratio(get["inlet_pressure"], get["outlet_pressure"], get["reject_pressure"])
        return np.where(split < 5.0, split, np.nan), np.where(ratio < 5.0, ratio, np.nan)


def _column(axes: Sequence[Any], life: _Life, panels: Sequence[Panel], span: float) -> None:
    """One skid from top to bottom, its events as bands behind every axis."""
    drawn = 0
    for panel in panels:
        axis = axes[drawn]
        inks = iter(INK)
        for kind, role, words in panel.lines:
            found = life.of(kind, role)
            for unit, values in found:
                label = unit if len(found) > 1 or kind in NAMED else words
                shown = np.where(values > LEAST_DRAWN, values, np.nan) if panel.log else values
                axis.plot(life.hours, shown, color=next(inks, "#555555"), linewidth=0.9, label=label)
        axis.set_yscale("log" if panel.log else "linear")
        _dress(axis, panel.title)
        drawn += 1
    if life.ratio is not None:
        axis = axes[drawn]
        for values, words, ink in zip(life.ratio, ("split, %", "drop ratio"), INK, strict=False):
            axis.plot(life.hours, values, color=ink, linewidth=0.9, label=words)
        axis.set_ylim(0.0, 5.0)
        _dress(axis, "cyclone")
        drawn += 1
    for axis in axes[drawn:]:
        axis.set_axis_off()
    for axis in axes[:drawn]:
        _bands(axis, life.plant.events)
    axes[0].set_xlim(0.0, span)
    axes[0].set_title(f"{life.plant.skid.id}\n{_events(life.plant.events)}", fontsize=8, loc="left")
    axes[drawn - 1].set_xlabel("h", fontsize=8)
    axes[drawn - 1].tick_params(labelbottom=True)


def _dress(axis: Any, title: str) -> None:
    axis.set_ylabel(title, fontsize=7)
    axis.tick_params(labelsize=7)
    axis.grid(visible=True, color="#e5e5e5", linewidth=0.5)
    axis.legend(fontsize=6, loc="upper right", ncols=4, columnspacing=0.9, frameon=False, borderaxespad=0.1)
    axis.margins(y=0.28)
    if axis.get_yscale() == "log":
        axis.yaxis.set_major_formatter("{x:g}")
        return
    low, high = axis.get_ylim()
    wider = 0.5 * max(0.0, LEAST_SPAN * max(abs(low), abs(high)) - (high - low))
    low, high = low - wider, high + wider
    if axis.dataLim.y0 >= 0.0 > low:
        low = 0.0  # what cannot be negative is not drawn as if it could
    axis.set_ylim(low, high)


def _bands(axis: Any, events: Sequence[Acting]) -> None:
    for number, active in enumerate(events, start=1):
        colour = BAND["look-alike" if active.fault.lookalike else "fault"]
        end = active.event.at + active.event.hours
        axis.axvspan(active.event.at, end, color=colour, alpha=0.6, linewidth=0.5, zorder=0)
        axis.text(active.event.at, 0.02, str(number), fontsize=6, transform=axis.get_xaxis_transform(), clip_on=True)


def _events(events: Sequence[Acting]) -> str:
    """Numbered names, a few to a line."""
    names = [f"{i} {a.event.event}" + (f" {a.event.tag}" if a.event.tag else "") for i, a in enumerate(events, start=1)]
    lines = [", ".join(names[i : i + 3]) for i in range(0, len(names), 3)]
    return "\n".join(lines) or "nothing but filter runs"
