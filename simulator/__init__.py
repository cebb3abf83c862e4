"""Plant physics, instruments, faults, truth and publishing."""

from simulator.entries import entries_of
from simulator.faults import FAULTS
from simulator.generate import Chunk, generate
from simulator.scenario import Scenario, load_scenario, packaged_scenarios
from simulator.states import states_of
from simulator.truth import truth_of

__all__ = [
    "FAULTS",
    "Chunk",
    "Scenario",
    "entries_of",
    "generate",
    "load_scenario",
    "packaged_scenarios",
    "states_of",
    "truth_of",
]
