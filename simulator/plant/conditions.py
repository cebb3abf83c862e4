"""What a fault, an operator or the weather may change: the physics, never a reading."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Conditions:
    """The state of the world at one step; factors are 1 and shifts 0 when nothing is wrong.

    ``units`` holds, by unit id, what strikes one unit alone where a skid has several of its type.
    """

    # what comes from the pad
    inflow: float = 1.0  # factor of the normal flow
    oil: float = 1.0  # factor of the normal oil
    solids: float = 1.0  # factor of the normal suspended solids
    sand: float = 0.0  # mg/L of sand on top, which settles in the tank
    salt: float = 1.0  # factor of the normal salinity
    temperature: float = 0.0  # °C on top of the feed's
    ambient: float = 0.0  # °C on top of the weather
    coarse_solids: float = 1.0  # grit and debris on the strainer, factor of normal
    # what people do
    setpoint: float = 1.0  # flow asked of the feed pump, factor of design flow
    stopped: bool = False  # the operator has shut the skid down: no inflow, pump off
    wash: bool = False  # somebody asks for a backwash now
    strainer_cleaned: bool = False  # somebody has the strainer open and cleans it
    refilled: bool = False  # the chemical tank is filled up
    delivery_missed: bool = False  # nobody brings chemical
    # power and weather protection
    tripped: bool = False  # the skid has stopped by itself; the pad goes on
    power: float = 1.0  # share of nominal voltage
    trace_dead: bool = False  # heat trace without current
    gas: bool = False  # the gas alarm is on
    # weir tank
    emulsion: float = 0.0  # 0 to 1: droplets that do not join; a rag layer grows
    skim_open: float = 1.0  # share of the skim's passage that is open
    sludge_draw: float = 1.0  # share of the usual sludge draw
    # feed pump
    stator_wear: float = 0.0  # 1: slip 2.6 times new
    suction_open: float = 1.0  # share of the asked flow that reaches the pump
    discharge_shut: float = 0.0  # share of the flow that is forced through the relief valve
    shear: float = 0.0  # share of droplets torn to the next finer class ahead of the cyclone
    # hydrocyclone
    reject_area: float = 1.0  # open area of the reject ports, share of clean
    reject_back_pressure: float = 0.0  # in the reject line, share of the design pressure drop
    outlet_back_pressure: float = 0.0  # at the water outlet, share of the design pressure drop
    liners_plugged: float = 0.0  # share of liners whose inlet is shut
    liner_wear: float = 0.0  # 1: 15 % less drop, half as much again in cut size
    gas_break_out: float = 0.0  # 0 to 1: gas in the core, flows and pressures hunt
    # media filter
    wash_strength: float = 1.0  # how much of the loose deposit a wash takes out: 1 is a good wash
    wash_blocked: bool = False  # the controller does not start the wash
    wash_endless: bool = False  # the wash does not end
    wash_trigger: float = 1.0  # factor of the drop at which a wash is started
    cracks: float = 0.0  # share of the flow that takes a short cut through the bed
    saturating: float = 0.0  # share of the bed's oil capacity that is used up in an hour
    media_lost: float = 0.0  # share of the bed's depth that is gone
    underdrain_open: float = 0.0  # 0 to 1: broken nozzles
    # further units
    dose_lost: float = 0.0  # share of the dosing pump's stroke that moves gas instead of chemical
    dose_command: float | None = None  # % at which the command stands, whatever is asked
    leak: float = 0.0  # share of the tank's full volume that leaks in an hour
    gas_lost: float = 0.0  # share of the flotation's gas that is missing
    membrane_fouling: float = 0.0  # 1: a quarter of the permeability is gone
    membrane_scaling: float = 0.0
    membrane_damage: float = 0.0  # 1: three times the salt passage
    cloth_blinding: float = 0.0
    cloth_torn: float = 0.0
    takeaway: float = 1.0  # factor of what leaves the treated-water tank
    divert: bool = False  # treated water goes back to the head instead of out
    units: dict[str, Conditions] = field(default_factory=dict)

    def of(self, unit: str) -> Conditions:
        """What acts on one unit."""
        return self.units.get(unit, self) if self.units else self
