"""Media filters side by side: they share the flow so that all have one pressure drop, and wash one at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

from simulator.plant.conditions import Conditions
from simulator.plant.ledger import Stock
from simulator.plant.media_filter import MediaFilter
from simulator.plant.washing import WashControl
from simulator.plant.water import DRY, Stream, added, mixed


@dataclass(slots=True)
class FilterBank:
    """``beds`` by unit id, each with who washes it."""

    beds: dict[str, MediaFilter]
    washing: dict[str, WashControl] = field(default_factory=dict)
    started: list[str] = field(default_factory=list)  # washes that began in this step
    ended: list[str] = field(default_factory=list)
    washed: bool = False  # a bed is being washed, or was until the step before
    dp: float = 0.0  # over the bank, kPa

    def in_service(self) -> list[str]:
        """Beds that are not being washed."""
        return [name for name, bed in self.beds.items() if not bed.washing]

    def start_washes(self, now: Conditions) -> None:
        """Let those who wash decide; a bed waits while another is being washed."""
        self.started = []
        if any(bed.washing for bed in self.beds.values()):
            return
        due = [n for n, control in self.washing.items() if control.wants(self.beds[n].dp, now.of(n))]
        if not due:
            return
        # side by side they show one drop: whom somebody asked for goes first, then who has waited longest
        name = max(due, key=lambda n: (now.of(n).wash, self.washing[n].since_wash))
        self.beds[name].start_wash(now.of(name))
        self.started.append(name)
        self.washed = True
        self.washing[name].begin()
        for control in self.washing.values():
            control.above = 0  # the others' count begins anew: their drop will be another

    def step(
        self, dt: float, feed: Stream, density: float, viscosity: float, celsius: float, now: Conditions
    ) -> Stream:
        """Filter the ``feed``; gives the filtered water of all beds."""
        beds = [(bed, now.of(name)) for name, bed in self.beds.items()]
        curves = [bed.coefficients(density, viscosity, its) for bed, its in beds if not bed.washing]
        flows, dp = share(feed.flow, curves, self.dp)
        following = iter(flows)
        filtered = []
        self.dp = dp
        for bed, its in beds:
            flow = 0.0 if bed.washing else next(following)
            filtered.append(bed.step(dt, feed, flow, dp if flow > 0.0 else 0.0, celsius, its))
        return filtered[0] if len(filtered) == 1 else mixed(*filtered)

    def wash(self, dt: float, water: Stream, now: Conditions) -> Stream:
        """Wash what is to be washed with the given ``water``; gives the wash water that leaves."""
        if not self.washed:
            return DRY
        self.ended, self.washed = [], False
        leaving = DRY
        for name, bed in self.beds.items():
            if bed.washing:
                self.washed = True
                leaving = bed.wash_step(dt, water, now.of(name))  # one at a time
                if not bed.washing:
                    self.ended.append(name)
            else:
                bed.wash_flow = 0.0
        return leaving

    def wash_flow(self) -> float:
        """Wash water that the beds want now, m³/h."""
        return added(bed.wash_rate * bed.area for bed in self.beds.values() if bed.washing)

    @property
    def back_pressure(self) -> float:
        """Pressure behind the beds, kPa."""
        return max(bed.back_pressure for bed in self.beds.values())

    @property
    def outlet_pressure(self) -> float:
        """Pressure behind the beds in service, kPa."""
        return next(iter(self.beds.values())).outlet_pressure

    def held(self) -> Stock:
        """What lies on the grains of all beds."""
        stock = Stock()
        for bed in self.beds.values():
            stock = stock.plus(bed.held())
        return stock


def share(flow: float, curves: list[tuple[float, float]], near: float = 0.0) -> tuple[list[float], float]:
    """Flows through parallel beds of drop a·q + b·q², and their common drop; ``near`` is a guess at it, if any.

    Newton's method on the drop; Σq(ΔP) is concave and rising, so after one step it climbs to the answer.
    """
    if not curves or flow <= 0.0:
        return [0.0] * len(curves), 0.0
    if len(curves) == 1:
        (a, b), q = curves[0], flow
        return [q], a * q + b * q * q
    dp = near
    if dp <= 0.0:
        each = flow / len(curves)
        dp = max(a * each + b * each * each for a, b in curves)
    for _ in range(20):
        flows, passed, slope = [], 0.0, 0.0
        for a, b in curves:
            root = sqrt(a * a + 4.0 * b * dp)
            q = (root - a) / (2.0 * b)
            flows.append(q)
            passed += q
            slope += 1.0 / root  # dq/dΔP is 1/(a + 2·b·q), the root
        off = passed - flow
        if abs(off) < 1e-10 * flow:
            break
        dp = max(dp - off / slope, 0.1 * dp)
    scale = flow / passed
    return [q * scale for q in flows], dp
