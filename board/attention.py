"""How much a skid needs somebody: which of its findings to speak of, and the word for its state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal
from uuid import UUID

from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt, Work

State = Literal[
    "help", "silent", "stopped", "hand", "watch", "late", "unseen", "unwatched", "learning", "shelved", "out", "well"
]  # fmt: skip

RANK: Final[Mapping[str, int]] = {
    "help": 0, "silent": 0, "stopped": 0, "unseen": 1, "late": 2, "hand": 3, "watch": 4, "out": 5, "shelved": 6,
    "unwatched": 7, "learning": 8, "well": 9,
}  # fmt: skip
"""Worst first. What a person has in hand stands behind what nobody has."""

SEVERITY: Final = {"high": 0, "medium": 1, "low": 2}
SILENT: Final = "no-data"
STOPPED: Final = "unplanned-stop"


@dataclass(frozen=True, slots=True)
class Matter:
    """A finding that stands, the prompt about it, and how much it needs somebody."""

    finding: Finding
    prompt: Prompt | None
    state: State

    @property
    def order(self) -> tuple[int, int, bool, float]:
        """Sorts the worst first: state, severity, causes before what follows from them, what began first."""
        finding = self.finding
        return (
            RANK[self.state],
            SEVERITY[finding.severity],
            finding.root is not None,
            finding.onset.timestamp(),
        )


def matters(findings: Sequence[Finding], prompts: Mapping[UUID, Prompt], works: Sequence[Work]) -> list[Matter]:
    """What to speak of, worst first; ``prompts`` by finding. A wash that the controller does itself is no matter."""
    told = (Matter(one, prompts.get(one.id), _state(one, prompts.get(one.id), works)) for one in findings)
    return sorted((one for one in told if not _routine(one)), key=lambda matter: matter.order)


def _routine(matter: Matter) -> bool:
    """A rise whose wash the controller does: its time stands with the skid's facts, and calls nobody."""
    return matter.finding.kind == "dp-rise" and matter.prompt is not None and matter.prompt.route == "desk"


def _state(finding: Finding, prompt: Prompt | None, works: Sequence[Work]) -> State:
    if any(work.unit in (None, finding.unit) for work in works):
        return "out"
    if prompt is not None:
        match prompt.state:
            case "shelved":
                return "shelved"
            case "suppressed" | "out-of-service":
                return "out"
            case "acknowledged":
                return "hand"
            case "cleared":
                return "watch"  # somebody called it false, or it is said to be done
    if finding.kind == SILENT:
        return "silent"
    if finding.kind == STOPPED:
        return "stopped"
    desk = prompt is None or prompt.route == "desk" or prompt.priority == "low"
    return "watch" if desk and finding.severity != "high" else "help"
