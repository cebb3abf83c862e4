"""How a meter or transmitter goes wrong slowly while its signal looks well; acted out by :mod:`simulator.ailments`."""

from simulator.faults.base import Fault, register

ZERO_DRIFT = register(
    Fault(
        name="zero-drift",
        about="a transmitter's zero creeps up by a tenth of its span: noise as before, no partner goes with it",
        strikes="instrument",
        kind="sensor-drift",
        lookalike=True,
        shape="ramp",
        visible_share=0.6,
    )
)

FLOW_METER_FOULED = register(
    Fault(
        name="flow-meter-fouled",
        about="scale narrows a flow meter: it reads 15 % too much by the end, the pump and every drop as before",
        strikes="instrument",
        measures="m3/h",
        kind="sensor-drift",
        cause="fouled",
        lookalike=True,
        also=(("volumes-disagree", None),),
        shape="ramp",
        visible_share=0.6,
    )
)

COUNTER_SLIPS = register(
    Fault(
        name="counter-slips",
        about="a meter's own counter loses one pulse in seven: its total falls behind what flows and what tanks take",
        strikes="instrument",
        totals=True,
        told_on="skid",
        kind="volumes-disagree",
        lookalike=True,
        visible_minutes=720.0,  # common practice, no source: an hour's total is too coarse, half a day's is not
        late_share=1.0,
        late_minutes=720.0,
    )
)
