"""Plant physics, instruments, faults, truth and publishing."""

from simulator.faults import FAULTS
from simulator.generate import Chunk, generate
from simulator.scenario import Scenario, load_scenario, packaged_scenarios
from simulator.states import states_of
from simulator.truth import truth_of

__all__ = [
    "FAULTS",
    "Chunk",
    "Scenario",
    "generate",
    "load_scenario",
    "packaged_scenarios",
    "states_of",
    "truth_of",
]
