"""What an instrument can do by itself; :mod:`simulator.ailments` acts these out by name."""

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

GAS_BUBBLES = register(
    Fault(
        name="gas-bubbles",
        about="bubbles pass a scattering oil analyser: spikes of seconds that no partner shows",
        strikes="instrument",
        measures="mg/L",
        lookalike=True,
    )
)

SCALE_CHANGE = register(
    Fault(
        name="scale-change",
        about="somebody sets the transmitter to another unit: reading and noise are 6.9 times larger at once",
        strikes="instrument",
        kind="scale-change",
        lookalike=True,
        also=(("sensor-out-of-range", None),),  # where the larger reading leaves its range
        visible_minutes=15.0,
    )
)

REZERO = register(
    Fault(
        name="re-zero",
        about="a transmitter is zeroed under load: the reading steps by a tenth of its span, its noise stays",
        strikes="instrument",
        kind="scale-change",
        lookalike=True,
        visible_minutes=15.0,
    )
)

IMPULSE_LINE = register(
    Fault(
        name="impulse-line-plugged",
        about="an impulse line plugs: the reading creeps after the pressure, quiet, and stays up when flow stops",
        strikes="instrument",
        measures="kPa",
        kind="impulse-line-plugged",
        cause="plugged",
        lookalike=True,
        visible_minutes=240.0,
    )
)

SENSOR_NOISY = register(
    Fault(
        name="sensor-noisy",
        about="a loose terminal: five times the usual noise around the right reading",
        strikes="instrument",
        kind="sensor-noisy",
        lookalike=True,
        visible_minutes=60.0,
    )
)

SENSOR_FAILED = register(
    Fault(
        name="sensor-failed",
        about="the loop is open: the signal falls to 3.6 mA, below its live range, and stays there",
        strikes="instrument",
        kind="sensor-out-of-range",
        lookalike=True,
        visible_minutes=10.0,
    )
)

CALIBRATION = register(
    Fault(
        name="calibration",
        about="a technician checks the instrument at 0, 50 and 100 % within a declared work window",
        strikes="instrument",
        lookalike=True,
    )
)
