"""What stops a hydrocyclone's reject."""

from simulator.faults.base import Fault, register
from simulator.plant.conditions import Conditions


def _plug(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.reject_area *= 1.0 - 0.5 * strength


def _back_pressure(now: Conditions, strength: float, hours: float) -> None:
    del hours
    now.reject_back_pressure += 0.5 * strength


REJECT_PORTS_PLUGGING = register(
    Fault(
        name="reject-ports-plugging",
        about="liner after liner the reject ports lose half of their area; pressure drop ratio blind",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="split-drift",
        cause="reject-plugging",
        shape="stairs",
        change=_plug,
        visible_minutes=60.0,
        late_share=0.9,
    )
)

REJECT_BACK_PRESSURE = register(
    Fault(
        name="reject-back-pressure",
        about="the reject line behind the tap is throttled: pressure drop ratio 1.7 to 1.2, reject −16 %",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="split-drift",
        cause="reject-back-pressure",
        change=_back_pressure,
        visible_minutes=10.0,
        late_share=1.0,
    )
)
