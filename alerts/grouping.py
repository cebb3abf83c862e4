"""Which findings belong together: those with one root, on one skid, are one prompt that grows.

Lost data alone are one prompt a pad: what carries them away from there is usually shared.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Final, Protocol
from uuid import UUID

from alerts import routing
from skidhand.fleet import Fleet
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt

NO_DATA: Final = "no-data"
TOGETHER: Final = timedelta(minutes=30)
"""Skids of one pad that fall silent within it have one prompt; later ones are news. Common practice, no source."""

COMPARED: Final = ("limit", "terminal", "usual", "expected")


class Known(Protocol):
    """What grouping asks of the logbook."""

    def findings(self, ids: Sequence[UUID]) -> list[Finding]:
        """The newest known revision of each finding."""
        ...

    def prompt_of(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
        ...

    def open_on(self, skids: Iterable[str], heads: Iterable[str]) -> list[Prompt]:
        """Open prompts of those skids and kinds."""
        ...


def causes_of(finding: Finding, known: Known) -> list[UUID]:
    """The findings that lie behind this one, nearest first, the root last.

    A cause that was superseded gives its successor; another skid's finding ends the chain; a ring is cut.
    """
    chain: list[UUID] = []
    step = finding.root
    while step is not None and step != finding.id and step not in chain:
        found = next(iter(known.findings([step])), None)
        if found is not None and found.skid != finding.skid:
            break
        chain.append(step)
        step = None if found is None else found.superseded_by or found.root
    return chain


def home_of(finding: Finding, known: Known, fleet: Fleet) -> Prompt | None:
    """The prompt that one of the finding's causes belongs to, nearest first; of lost data, the pad's."""
    prompts = (known.prompt_of(cause) for cause in causes_of(finding, known))
    found = next((prompt for prompt in prompts if prompt is not None), None)
    if found is None and finding.kind == NO_DATA and known.prompt_of(finding.id) is None:
        return _pad(finding, known, fleet)
    return found


def _pad(finding: Finding, known: Known, fleet: Fleet) -> Prompt | None:
    open_ones = known.open_on(neighbours(finding.skid, fleet), [NO_DATA])
    for prompt in open_ones:
        first = min((one.onset for one in known.findings(prompt.findings)), default=prompt.created)
        if prompt.site == finding.site and abs(finding.onset - first) <= TOGETHER:
            return prompt
    return None


def neighbours(skid: str, fleet: Fleet) -> set[str]:
    """The skids that stand, stood or will stand where ``skid`` does, itself among them."""
    found = fleet.skid(skid)
    sites = {placement.site for placement in found.placements} if found else set[str]()
    return {skid} | {one.id for one in fleet.skids for placement in one.placements if placement.site in sites}


def within(finding: Finding, deadband: float) -> bool:
    """True when the finding's first number lies within ``deadband`` (a share) of what it is compared with."""
    numbers = finding.evidence.numbers
    for other in numbers[1:]:
        if other.unit == numbers[0].unit and other.name.rpartition("_")[2] in COMPARED:
            return abs(numbers[0].value - other.value) < deadband * abs(other.value)
    return False


def standing(findings: Iterable[Finding], root: UUID) -> list[Finding]:
    """The open ones, the one to speak of first: the root, else the most severe, else the oldest."""
    return sorted(
        (finding for finding in findings if finding.state == "open"),
        key=lambda f: (f.id != root, -routing.RANK.index(f.severity), f.onset, str(f.id)),
    )


def survivor(one: Prompt, other: Prompt) -> tuple[Prompt, Prompt]:
    """Of two prompts that turn out to be one: (the one that stays, the one that goes). People know the older code."""
    first, second = sorted((one, other), key=lambda p: (p.state == "cleared", p.created, str(p.id)))
    return first, second
