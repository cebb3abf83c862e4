"""What a language file gives. Every word must be in the GSM 7-bit alphabet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from skidhand.model.prompt import Verb


@dataclass(frozen=True, slots=True)
class KindWords:
    """One finding kind: what is the matter (``{unit}`` stands for the unit), and the first step as a noun.

    ``by_cause`` says the matter otherwise where a cause says more in the same room; the cause is then left out.
    """

    what: str
    step: str
    by_cause: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Words:
    """A language. Sentences have named gaps; ``cautions`` are keyed by hazard code, in the order in which they stand.

    Each is (in full, in short): the short one stands in where the other would make a second message.
    ``hands_on`` replaces them where the step may bring hands to the unit's inside. A cause with no words adds none.
    """

    kinds: Mapping[str, KindWords]
    other: KindWords
    causes: Mapping[str, str]
    numbers: Mapping[str, str]
    priorities: Mapping[str, str]
    cautions: Mapping[str, tuple[str, str]]
    hands_on: Mapping[str, tuple[str, str]]
    weekdays: tuple[str, str, str, str, str, str, str]
    months: tuple[str, str, str, str, str, str, str, str, str, str, str, str]
    suggest: str  # {step}
    answer: str  # {code}: a code alone acknowledges
    verbs: Mapping[Verb, tuple[str, ...]]  # what a person may say for each; the first one is shown
    taken: str  # {code} {verb}: back to who answered
    done_taken: str  # {code} {verb}: the same for done, which is no word that anything may run
    refused: str  # {code} {why}
    unclear: str  # {code}, and how to answer follows
    which: str  # {codes}: a digit alone, and several prompts are open
    none_open: str
    page: Mapping[str, str]  # what stands on the page behind an e-mail's link
    forbidden: str  # a regular expression of what no message may say
    sure: str  # {percent}
    repeat: str  # before a message that may arrive twice
    gas: str  # instead of step and cautions, when nobody may be sent
    about: str  # {when} {low} {high}
    about_short: str  # {when}
    since: str  # {when}
    since_short: str  # {when}
    of: str  # {value} {limit}
    usual: str  # {value} {limit}
    more: str  # {n}
    reminder: str  # before a message that nobody has answered, or that comes to the next of the duty
    late: str  # {when}: before a message that should have left then
    check_back: str  # before a message to whoever took the prompt
    summary: str  # {n} {high} {codes}: instead of the messages that a flood would bring; high: how many of the n
    pad: str  # {site} {n}: instead of skid and site, where several skids of one pad have one prompt
    blind: str  # {what}: skidhand itself hears or says nothing
    blind_step: str
    work_ends: str  # {what} {when} {code}: asks before work or an outage ends
