"""What people and weather do that must not be called a fault of the equipment."""

from simulator.faults.base import Fault, adds, cuts, raises, register, switches, together

FLOW_STEP = register(
    Fault(
        name="flow-step",
        about="the operator takes 30 % more water: every pressure drop rises at once with it",
        strikes="plant",
        lookalike=True,
        also=(("oil-carry-over", "overload"),),  # more oil does leave a small tank then
        rise_hours=0.05,
        change=together(raises("inflow", 0.3), raises("setpoint", 0.3)),
    )
)

FLOW_CUT = register(
    Fault(
        name="flow-cut",
        about="the operator takes a quarter less water: every pressure drop falls at once with it",
        strikes="plant",
        lookalike=True,
        rise_hours=0.05,
        change=together(cuts("inflow", 0.25), cuts("setpoint", 0.25)),
    )
)

COLD_FEED = register(
    Fault(
        name="cold-feed",
        about="the feed comes in 15 °C colder over hours: viscosity raises the pressure drops",
        strikes="plant",
        lookalike=True,
        rise_hours=3.0,
        change=adds("temperature", -15.0),
    )
)

HOT_FEED = register(
    Fault(
        name="hot-feed",
        about="the feed comes in 20 °C hotter: thin water slips through the pump, which has to turn faster",
        strikes="plant",
        unit_type="feed_pump",
        kind="pump-slip",
        cause="hot-feed",
        required=False,
        lookalike=True,
        rise_hours=3.0,
        change=adds("temperature", 20.0),
    )
)

SALINITY_CHANGE = register(
    Fault(
        name="salinity-change",
        about="brine of another well, half as salty again: heavier and thicker water, every drop a little up",
        strikes="plant",
        lookalike=True,
        rise_hours=1.0,
        change=raises("salt", 0.5),
    )
)

COLD_TRACED = register(
    Fault(
        name="cold-and-traced",
        about="a freezing night with the heat trace on: the line stays warm, nothing is wrong",
        strikes="plant",
        lookalike=True,
        rise_hours=4.0,
        change=adds("ambient", -25.0),
    )
)

SHUTDOWN = register(
    Fault(
        name="shutdown",
        about="the operator stops the skid and starts it again: no flow, no drop, ratio undefined",
        strikes="plant",
        lookalike=True,
        change=switches("stopped"),
    )
)

DIVERT = register(
    Fault(
        name="divert",
        about="the operator sends treated water back to the head for a while: nothing leaves, nothing is wrong",
        strikes="plant",
        unit_type="outlet",
        lookalike=True,
        change=switches("divert"),
    )
)

SCHEDULED_BACKWASH = register(
    Fault(
        name="scheduled-backwash",
        about="a backwash by the calendar, whatever the pressure drop",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        lookalike=True,
        change=switches("wash"),
    )
)

PARALLEL_WASH = register(
    Fault(
        name="parallel-wash",
        about="one of several filters side by side is washed: the others take its flow, their drops rise at once",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        several=True,
        lookalike=True,
        change=switches("wash"),
    )
)

CHEMICAL_DELIVERY = register(
    Fault(
        name="chemical-delivery",
        about="a delivery fills the chemical tank: its level jumps up",
        strikes="plant",
        unit_type="chemical",
        local=True,
        lookalike=True,
        change=switches("refilled"),
    )
)

GAS_ALARM = register(
    Fault(
        name="gas-alarm",
        about="the skid's gas alarm is on; the water does not care, but nobody is to be sent there",
        strikes="plant",
        unit_type="skid",
        lookalike=True,
        change=switches("gas"),
    )
)
