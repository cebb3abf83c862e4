"""Which findings belong together: those with one root, on one skid, are one prompt that grows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol
from uuid import UUID

from alerts import routing
from skidhand.model.finding import Finding
from skidhand.model.prompt import Prompt


class Known(Protocol):
    """What grouping asks of the logbook."""

    def findings(self, ids: Sequence[UUID]) -> list[Finding]:
        """The newest known revision of each finding."""
        ...

    def prompt_of(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
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


def home_of(finding: Finding, known: Known) -> Prompt | None:
    """The prompt that one of the finding's causes belongs to, nearest first."""
    prompts = (known.prompt_of(cause) for cause in causes_of(finding, known))
    return next((prompt for prompt in prompts if prompt is not None), None)


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
