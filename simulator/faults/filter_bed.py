"""What goes wrong with a media filter and its washing. Fouling itself the plant does without any story."""

from simulator.faults.base import Fault, adds, cuts, raises, register, switches
from simulator.plant.conditions import Conditions
from simulator.plant.train import Train


def _saturates(now: Conditions, strength: float, hours: float) -> None:
    now.saturating += strength / hours


def _wants_a_wash(train: Train, unit: str) -> bool:
    return train.filters is not None and train.filters.washing[unit].above >= 10


def _washes_without_end(train: Train, unit: str) -> bool:
    bed = train.filters.beds[unit] if train.filters else None
    return bed is not None and bed.washing > 0 and bed.to_leave == 0


def _washes(train: Train, unit: str) -> bool:
    return train.filters is not None and unit in train.filters.started


FILTER_FOULING = register(
    Fault(
        name="filter-fouling",
        about="two and a half times the solids come from the pad: the bed's drop rises faster, run after run",
        strikes="plant",
        unit_type="media_filter",
        kind="dp-rise",
        cause="fouling",
        required=False,  # the plant tells of each run by itself
        change=raises("solids", 1.5),
        visible_minutes=120.0,
    )
)

INCOMPLETE_BACKWASH = register(
    Fault(
        name="incomplete-backwash",
        about="washes are too weak: deposit stays on the grains, the clean drop steps up wash by wash",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="incomplete-backwash",
        cause="oil-wet-media",
        change=cuts("wash_strength", 0.04),
        visible_minutes=60.0,
    )
)

CHANNELLING = register(
    Fault(
        name="channelling",
        about="the bed cracks: a quarter of the water passes untreated, the drop falls below that of a clean bed",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="channelling",
        also=(("breakthrough", None),),
        rise_hours=1.0,
        change=adds("cracks", 0.25, most=0.8),
        visible_minutes=90.0,
    )
)

MEDIA_LOSS = register(
    Fault(
        name="media-loss",
        about="washes carry media away: a third of the bed is gone by the end, less drop and more oil out",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="channelling",
        cause="media-loss",
        shape="ramp",
        change=adds("media_lost", 0.35, most=0.8),
        visible_share=0.5,
    )
)

BREAKTHROUGH = register(
    Fault(
        name="breakthrough",
        about="the media is full of oil: it passes four times as much, well before the terminal drop",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="breakthrough",
        also=(("channelling", None),),
        change=_saturates,
        shape="step",
        visible_share=0.3,
        visible_minutes=15.0,
        late_minutes=60.0,
        aftermath_hours=12.0,
    )
)

UNDERDRAIN_FAILURE = register(
    Fault(
        name="underdrain-failure",
        about="nozzles break: the drop falls at once, water and the deposit's solids go straight through",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="underdrain-failure",
        also=(("channelling", None), ("breakthrough", None)),
        change=adds("underdrain_open", 1.0, most=1.0),
        visible_minutes=10.0,
        late_share=0.0,
        late_minutes=60.0,
    )
)

BACKWASH_MISSED = register(
    Fault(
        name="backwash-missed",
        about="the filter is left in local: its wash does not come, the drop climbs past the terminal one",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="backwash-missed",
        change=switches("wash_blocked"),
        shows=_wants_a_wash,
        visible_minutes=30.0,
    )
)

BACKWASH_CYCLING = register(
    Fault(
        name="backwash-cycling",
        about="the trigger is set far too low: the filter washes again and again with little on it",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="backwash-cycling",
        change=cuts("wash_trigger", 0.65),
        shows=_washes,
        visible_minutes=240.0,
    )
)

BACKWASH_STUCK = register(
    Fault(
        name="backwash-stuck",
        about="a wash does not end: its valve stays open and wash water runs on",
        strikes="plant",
        unit_type="media_filter",
        local=True,
        kind="backwash-stuck",
        change=switches("wash_endless"),
        shows=_washes_without_end,
        visible_minutes=15.0,
    )
)
