"""What goes wrong with a progressive cavity feed pump."""

from simulator.faults.base import Fault, adds, cuts, register

STATOR_WEAR = register(
    Fault(
        name="stator-wear",
        about="the stator wears: 12 % more speed for the same flow by the end, the more the higher the pressure",
        strikes="plant",
        unit_type="feed_pump",
        kind="pump-slip",
        cause="stator-wear",
        shape="ramp",
        change=adds("stator_wear", 1.0),
        visible_share=0.5,
    )
)

DRY_RUNNING = register(
    Fault(
        name="dry-running",
        about="the suction is starved and the local trip does not act: no flow, the stator heats 1 °C a minute",
        strikes="plant",
        unit_type="feed_pump",
        kind="dry-running",
        cause="suction-starved",
        also=(("tank-filling", None),),
        change=cuts("suction_open", 0.97),
        visible_minutes=3.0,
        late_share=0.0,
        late_minutes=15.0,
    )
)

DISCHARGE_BLOCKED = register(
    Fault(
        name="discharge-blocked",
        about="a valve behind the pump closes: pressure climbs to the relief valve, little flow gets through",
        strikes="plant",
        unit_type="feed_pump",
        kind="discharge-blocked",
        also=(("tank-filling", None),),
        change=adds("discharge_shut", 0.8, most=0.97),
        visible_minutes=3.0,
        late_share=0.0,
        late_minutes=30.0,
    )
)
