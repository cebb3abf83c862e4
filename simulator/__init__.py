"""Plant physics, instruments, faults, truth and publishing."""

from simulator.generate import Chunk, generate
from simulator.scenario import Scenario, load_scenario, packaged_scenarios
from simulator.truth import truth_of

__all__ = ["Chunk", "Scenario", "generate", "load_scenario", "packaged_scenarios", "truth_of"]
