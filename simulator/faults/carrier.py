"""What the link between skid and broker can do."""

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
