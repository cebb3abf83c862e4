"""What goes wrong with a hydrocyclone, in it and around it."""

from simulator.faults.base import Fault, adds, cuts, register, together

REJECT_PORTS_PLUGGING = register(
    Fault(
        name="reject-ports-plugging",
        about="liner after liner the reject ports lose half of their area; pressure drop ratio blind",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="split-drift",
        cause="reject-plugging",
        shape="stairs",
        change=cuts("reject_area", 0.5),
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
        change=adds("reject_back_pressure", 0.5),
        visible_minutes=10.0,
        late_share=1.0,
    )
)

LINER_WEAR = register(
    Fault(
        name="liner-wear",
        about="the liners erode: 15 % less pressure drop at equal flow by the end, the cut grows, oil gets through",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="cyclone-efficiency-loss",
        cause="liner-wear",
        also=(("split-drift", "liner-wear"),),
        shape="ramp",
        change=adds("liner_wear", 1.0),
        visible_share=0.5,
    )
)

INLET_PLUGGING = register(
    Fault(
        name="inlet-plugging",
        about="liner after liner the inlets plug: more drop at equal flow, ratio towards 1, reject −10 %",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="split-drift",
        cause="inlet-plugging",
        also=(("cyclone-efficiency-loss", None),),
        shape="stairs",
        change=adds("liners_plugged", 0.25, most=0.6),
        visible_minutes=60.0,
        late_share=0.9,
    )
)

OUTLET_BACK_PRESSURE = register(
    Fault(
        name="outlet-back-pressure",
        about="something behind the cyclone holds its water outlet up: ratio and reject rise together",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="split-drift",
        cause="outlet-back-pressure",
        change=adds("outlet_back_pressure", 0.8),
        visible_minutes=10.0,
    )
)

GAS_BREAK_OUT = register(
    Fault(
        name="gas-break-out",
        about="gas comes out in the core: drop and reject hunt, and the cut grows",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="cyclone-efficiency-loss",
        cause="gas",
        also=(("split-drift", "gas"),),
        rise_hours=0.2,
        change=adds("gas_break_out", 1.0),
        visible_minutes=30.0,
    )
)

UPSTREAM_SHEAR = register(
    Fault(
        name="upstream-shear",
        about="a throttled valve ahead of the cyclone tears the droplets: more oil out, pressures and reject as before",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="cyclone-efficiency-loss",
        cause="upstream-shear",
        change=adds("shear", 0.6, most=0.9),
        visible_minutes=30.0,
    )
)

LOW_INLET_FLOW = register(
    Fault(
        name="low-inlet-flow",
        about="the skid is run at 30 % of its flow: too little swirl, the ratio rises and oil gets through",
        strikes="plant",
        unit_type="hydrocyclone",
        kind="cyclone-efficiency-loss",
        cause="low-inlet-flow",
        also=(("split-drift", "low-inlet-flow"),),
        rise_hours=0.1,
        change=together(cuts("inflow", 0.7), cuts("setpoint", 0.7)),
        visible_minutes=30.0,
    )
)
