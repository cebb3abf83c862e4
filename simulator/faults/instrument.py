"""What an instrument can do by itself; :mod:`simulator.instruments` acts these out by name."""

from simulator.faults.base import Fault, register

SENSOR_FREEZE = register(
    Fault(
        name="sensor-freeze",
        about="the reading stands still to the last digit while its partners move",
        strikes="instrument",
        kind="sensor-frozen",
        cause="frozen",
        lookalike=True,
        visible_minutes=30.0,
    )
)

ANALYSER_FOULING = register(
    Fault(
        name="analyser-fouling",
        about="the oil analyser's window fouls: slow rise, less noise, no partner; back after cleaning",
        strikes="instrument",
        measures="mg/L",
        kind="sensor-drift",
        cause="fouled",
        lookalike=True,
        shape="ramp",
        visible_share=0.5,
    )
)
