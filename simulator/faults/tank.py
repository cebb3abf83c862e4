"""What can happen to a weir tank."""

from simulator.faults.base import Fault, adds, cuts, raises, register, switches, together
from simulator.plant.train import Train

THICK_PAD = 0.20  # m, twice what the weir leaves
DEEP_SLUDGE = 0.10  # m, a third of what is commonly called high: from there a gauge tells it from an ordinary bed


def _thick(train: Train, unit: str) -> bool:
    del unit
    return train.tank is not None and train.tank.thickness > THICK_PAD


def _deep(train: Train, unit: str) -> bool:
    del unit
    return train.tank is not None and train.tank.sludge_depth > DEEP_SLUDGE


OIL_SLUG = register(
    Fault(
        name="oil-slug",
        about="the pad sends 60 % more water with four times the oil; the tank carries oil over for hours",
        strikes="plant",
        unit_type="weir_tank",
        kind="oil-carry-over",
        cause="slug",
        change=together(raises("inflow", 0.6), raises("oil", 3.0)),
        visible_minutes=20.0,
        late_share=0.0,
        late_minutes=90.0,
        aftermath_hours=2.5,
    )
)

TANK_OVERLOAD = register(
    Fault(
        name="tank-overload",
        about="60 % more water for hours, no oilier: the tank is too small for it and carries oil over",
        strikes="plant",
        unit_type="weir_tank",
        kind="oil-carry-over",
        cause="overload",
        rise_hours=0.1,
        change=together(raises("inflow", 0.6), raises("setpoint", 0.6)),
        visible_minutes=30.0,
        aftermath_hours=2.0,
    )
)

EMULSION_PAD = register(
    Fault(
        name="emulsion-pad",
        about="the oil comes emulsified: a rag layer grows 15 cm a day, the interface is ragged, oil gets through",
        strikes="plant",
        unit_type="weir_tank",
        kind="rag-layer",
        cause="emulsion",
        also=(("oil-carry-over", "emulsion"),),
        rise_hours=3.0,
        change=adds("emulsion", 1.0, most=1.0),
        visible_minutes=240.0,
        aftermath_hours=12.0,
    )
)

STUCK_SKIM = register(
    Fault(
        name="stuck-skim",
        about="the skim's valve says open and nothing runs off: the oil pad grows",
        strikes="plant",
        unit_type="weir_tank",
        kind="oil-layer-high",
        cause="stuck-skim",
        change=switches("skim_open", 0.0),
        shows=_thick,
        visible_minutes=60.0,
    )
)

SLUDGE_BUILD_UP = register(
    Fault(
        name="sludge-build-up",
        about="sand comes back with the water and no sludge is drawn: it takes the tank's quiet depth",
        strikes="plant",
        unit_type="weir_tank",
        kind="sludge-build-up",
        change=together(adds("sand", 600.0), cuts("sludge_draw", 1.0)),
        shows=_deep,
        visible_minutes=60.0,
    )
)
