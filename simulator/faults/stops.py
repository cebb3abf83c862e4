"""How a skid stops without anybody's command, and the weather that it then cannot bear."""

from simulator.faults.base import Fault, adds, cuts, register, switches, together
from simulator.plant.train import Train


def _starved(train: Train, unit: str) -> bool:
    del unit
    return train.low


def _freezing(train: Train, unit: str) -> bool:
    """The trace is dead and it freezes outside, or the line itself is nearly there: by then its readings say so."""
    del unit
    services = train.services
    return services.trace == 0.0 and (services.ambient < 0.0 or (services.line is not None and services.line < 4.0))


TRIP = register(
    Fault(
        name="unplanned-stop",
        about="the skid trips while the pad goes on: no flow, no stop command, the weir tank fills",
        strikes="plant",
        unit_type="skid",
        kind="unplanned-stop",
        cause="unknown",
        also=(("tank-filling", None),),
        change=switches("tripped"),
        visible_minutes=5.0,
        late_share=0.0,
        late_minutes=60.0,
    )
)

POWER_LOSS = register(
    Fault(
        name="power-loss",
        about="the pad's power fails: the skid stops, the voltage is gone, the gateway goes on from its battery",
        strikes="plant",
        unit_type="skid",
        kind="unplanned-stop",
        cause="power",
        also=(("tank-filling", None),),
        change=switches("power", 0.0),
        visible_minutes=5.0,
        late_share=0.0,
        late_minutes=60.0,
    )
)

NO_FEED = register(
    Fault(
        name="no-feed",
        about="the pad sends no more water: the tank runs down until the low-level trip stops the pump",
        strikes="plant",
        unit_type="skid",
        kind="unplanned-stop",
        cause="no-feed",
        also=(("tank-emptying", None),),
        change=cuts("inflow", 1.0),
        shows=_starved,
        visible_minutes=5.0,
        late_share=0.0,
        late_minutes=120.0,
    )
)

HEAT_TRACE_OFF = register(
    Fault(
        name="heat-trace-off",
        about="the heat trace has no current on a freezing night: the line cools towards freezing",
        strikes="plant",
        unit_type="skid",
        kind="freeze-risk",
        rise_hours=3.0,
        change=together(switches("trace_dead"), adds("ambient", -20.0)),
        shows=_freezing,
        visible_minutes=10.0,
        late_share=0.0,
        late_minutes=180.0,
    )
)
