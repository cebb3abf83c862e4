"""What the link between skid and broker can do; :mod:`simulator.carrier` acts these out by name."""

from simulator.faults.base import Fault, register

COMMS_OUTAGE = register(
    Fault(
        name="comms-outage",
        about="nothing arrives for a while; the gateway sends it all afterwards, with the old source times",
        strikes="carrier",
        kind="no-data",
        cause="carrier",
        lookalike=True,
        visible_minutes=15.0,
    )
)

CLOCK_JUMP = register(
    Fault(
        name="clock-jump",
        about="the gateway's clock jumps an hour ahead: all tags shift together, in unbroken order, then back",
        strikes="carrier",
        kind="clock-jump",
        lookalike=True,
        visible_minutes=10.0,
    )
)
