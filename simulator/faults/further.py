"""What goes wrong with dosing, flotation, membranes, the press and plain tanks."""

from simulator.faults.base import Fault, adds, cuts, raises, register, switches, together
from simulator.plant.buffer_tank import TRUCK_AT
from simulator.plant.conditions import Conditions
from simulator.plant.train import Train


def _runs_out(now: Conditions, strength: float, hours: float) -> None:
    now.delivery_missed = True
    now.leak += 0.3 * strength / hours


def _full(train: Train, unit: str) -> bool:
    del unit
    return train.store is not None and train.store.full


def _truck_due(train: Train, unit: str) -> bool:
    del unit
    return train.oil_tank is not None and train.oil_tank.level > TRUCK_AT * train.oil_tank.height


LOST_PRIME = register(
    Fault(
        name="lost-prime",
        about="the dosing pump has lost its prime: its command climbs to the end, no chemical flows, pH falls",
        strikes="plant",
        unit_type="chemical",
        local=True,
        kind="chemical-feed-lost",
        change=adds("dose_lost", 1.0, most=1.0),
        visible_minutes=10.0,
        late_share=0.0,
        late_minutes=120.0,
    )
)

CHEMICAL_RUNS_OUT = register(
    Fault(
        name="chemical-runs-out",
        about="the delivery does not come and the tank leaks a third of itself: level falls faster than is pumped",
        strikes="plant",
        unit_type="chemical",
        local=True,
        kind="chemical-low",
        also=(("chemical-feed-lost", None), ("level-unexplained", None)),
        change=_runs_out,
        visible_share=0.5,
    )
)

OVERDOSE = register(
    Fault(
        name="overdose",
        about="the dosing pump stands at two and a half times its usual stroke, whatever is asked of it",
        strikes="plant",
        unit_type="chemical",
        local=True,
        kind="overdose",
        change=switches("dose_command", 100.0),
        visible_minutes=20.0,
    )
)

GAS_LOST = register(
    Fault(
        name="gas-lost",
        about="the recycle pump loses pressure: no bubbles, oil passes the flotation within minutes",
        strikes="plant",
        unit_type="flotation",
        kind="gas-lost",
        change=adds("gas_lost", 1.0, most=1.0),
        visible_minutes=10.0,
    )
)

MEMBRANE_FOULING = register(
    Fault(
        name="membrane-fouling",
        about="the membranes foul: 12 % less normalised flow and 20 % more drop by the end",
        strikes="plant",
        unit_type="reverse_osmosis",
        kind="membrane-fouling",
        cause="fouling",
        shape="ramp",
        change=adds("membrane_fouling", 1.0),
        visible_share=0.6,
    )
)

MEMBRANE_SCALING = register(
    Fault(
        name="membrane-scaling",
        about="scale on the last membranes: 15 % less normalised flow and more salt through, little more drop",
        strikes="plant",
        unit_type="reverse_osmosis",
        kind="membrane-fouling",
        cause="scaling",
        also=(("salt-passage-rise", None),),
        shape="ramp",
        change=adds("membrane_scaling", 1.0),
        visible_share=0.6,
    )
)

MEMBRANE_DAMAGE = register(
    Fault(
        name="membrane-damage",
        about="an element is torn: three times the salt passes at slightly more flow",
        strikes="plant",
        unit_type="reverse_osmosis",
        kind="salt-passage-rise",
        cause="membrane-damage",
        change=adds("membrane_damage", 1.0),
        visible_minutes=60.0,
    )
)

TOO_SALTY = register(
    Fault(
        name="too-salty",
        about="the pad sends four times the salt: the osmotic pressure leaves reverse osmosis nothing to press with",
        strikes="plant",
        unit_type="reverse_osmosis",
        kind="too-salty-for-ro",
        rise_hours=1.0,
        change=raises("salt", 3.0),
        visible_minutes=180.0,
        aftermath_hours=3.0,
    )
)

CLOTH_BLINDING = register(
    Fault(
        name="cloth-blinding",
        about="the press cloth blinds: full pressure in less than half the time, 40 % less cake",
        strikes="plant",
        unit_type="filter_press",
        kind="cloth-blinding",
        shape="ramp",
        change=adds("cloth_blinding", 1.0, most=1.5),
        visible_share=0.5,
    )
)

CLOTH_TORN = register(
    Fault(
        name="cloth-torn",
        about="the press cloth tears: the flow does not fall and sludge comes back with the filtrate",
        strikes="plant",
        unit_type="filter_press",
        kind="cloth-torn",
        change=adds("cloth_torn", 1.0, most=1.0),
        visible_minutes=240.0,
    )
)

TREATED_TANK_FILLING = register(
    Fault(
        name="treated-tank-filling",
        about="nobody takes the treated water away: its tank fills towards the rim",
        strikes="plant",
        unit_type="buffer_tank",
        holds="treated-water",
        local=True,
        kind="tank-filling",
        also=(("unplanned-stop", "downstream-full"),),
        change=cuts("takeaway", 0.9),
        visible_minutes=20.0,
        late_share=0.0,
        late_minutes=90.0,
    )
)

DOWNSTREAM_FULL = register(
    Fault(
        name="downstream-full",
        told_on="skid",
        about="the treated-water tank is full and stops the skid, which nobody commanded",
        strikes="plant",
        unit_type="buffer_tank",
        holds="treated-water",
        local=True,
        kind="unplanned-stop",
        cause="downstream-full",
        also=(("tank-filling", None),),
        change=cuts("takeaway", 1.0),
        shows=_full,
        visible_minutes=5.0,
        late_share=0.0,
        late_minutes=240.0,
    )
)

TANK_EMPTYING = register(
    Fault(
        name="tank-emptying",
        about="more is taken from the treated-water tank than comes: it runs towards empty",
        strikes="plant",
        unit_type="buffer_tank",
        holds="treated-water",
        local=True,
        kind="tank-emptying",
        change=together(raises("takeaway", 4.0)),
        visible_minutes=20.0,
        late_share=0.0,
        late_minutes=90.0,
    )
)

TANK_LEAK = register(
    Fault(
        name="tank-leak",
        about="the treated-water tank leaks past every meter: its level and its flows disagree",
        strikes="plant",
        unit_type="buffer_tank",
        holds="treated-water",
        local=True,
        kind="level-unexplained",
        also=(("tank-emptying", None),),
        change=adds("leak", 0.05),
        visible_minutes=90.0,
    )
)

TRUCK_MISSED = register(
    Fault(
        name="truck-missed",
        about="no truck comes for the skimmed oil: its tank fills up",
        strikes="plant",
        unit_type="buffer_tank",
        holds="oil",
        local=True,
        kind="tank-filling",
        change=cuts("takeaway", 1.0),
        shows=_truck_due,
        visible_minutes=60.0,
    )
)
