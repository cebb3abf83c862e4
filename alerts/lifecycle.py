"""The life of a prompt: states of ANSI/ISA-18.2 and IEC 62682, and every step that is allowed between them.

Pure: nothing here reads a clock or a database. ``TABLE`` is the whole machine. It is a table and not one of the
state-machine libraries: prompts are immutable values that many processes read back from the logbook, so a step is a
function from value to value; a library would want an object with callbacks, and the table would stand there as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

from skidhand.errors import UserError
from skidhand.model.prompt import Prompt, PromptState, Transition

Event = Literal[
    "escalate",  # it became worse, must reach a phone after all, or nobody took what was acknowledged
    "remind",  # nobody has answered: the next step of the escalation
    "acknowledge",  # a person has seen it (also: takes it, did it)
    "return",  # everything it speaks of is back to normal
    "recur",  # it came back
    "shelve",  # a person put it aside for a time
    "wake",  # that time is over, and it still stands
    "wake-normal",  # that time is over, and it is back to normal
    "suppress",  # by design: shutdown, backwash, known outage
    "release",  # the reason for that is gone, and it still stands
    "release-normal",
    "out-of-service",  # somebody works on the skid
    "back",  # that work has ended, and it still stands
    "back-normal",
    "dismiss",  # a person says that the call was false
    "pass",  # a person hands it to the next
    "merge",  # what it speaks of belongs to another prompt
]
EVENTS: Final[tuple[Event, ...]] = get_args(Event)
STATES: Final[tuple[PromptState, ...]] = get_args(PromptState)

UNACKNOWLEDGED: Final[PromptState] = "unacknowledged"
ACKNOWLEDGED: Final[PromptState] = "acknowledged"
RETURNED: Final[PromptState] = "returned-unacknowledged"
CLEARED: Final[PromptState] = "cleared"
SHELVED: Final[PromptState] = "shelved"
SUPPRESSED: Final[PromptState] = "suppressed"
OUT_OF_SERVICE: Final[PromptState] = "out-of-service"

QUIET: Final[tuple[PromptState, ...]] = (SHELVED, SUPPRESSED, OUT_OF_SERVICE)
"""States in which nothing is sent, and in which what returns or recurs is only written down."""

_FROM: Final[dict[PromptState, dict[Event, PromptState]]] = {
    UNACKNOWLEDGED: {
        "escalate": UNACKNOWLEDGED, "remind": UNACKNOWLEDGED, "acknowledge": ACKNOWLEDGED, "return": RETURNED,
        "shelve": SHELVED,
        "suppress": SUPPRESSED, "out-of-service": OUT_OF_SERVICE, "dismiss": CLEARED, "pass": UNACKNOWLEDGED,
        "merge": CLEARED,
    },
    ACKNOWLEDGED: {
        "escalate": UNACKNOWLEDGED, "acknowledge": ACKNOWLEDGED, "return": CLEARED, "shelve": SHELVED,
        "suppress": SUPPRESSED, "out-of-service": OUT_OF_SERVICE, "dismiss": CLEARED, "pass": UNACKNOWLEDGED,
        "merge": CLEARED,
    },
    RETURNED: {
        "acknowledge": CLEARED, "recur": UNACKNOWLEDGED, "suppress": SUPPRESSED,
        "out-of-service": OUT_OF_SERVICE, "dismiss": CLEARED, "merge": CLEARED,
    },
    # A cleared prompt that comes back, or whose false call becomes worse, is told again.
    CLEARED: {"recur": UNACKNOWLEDGED, "escalate": UNACKNOWLEDGED},
    SHELVED: {
        # What becomes worse breaks through: nobody put *that* aside.
        "escalate": UNACKNOWLEDGED, "acknowledge": ACKNOWLEDGED, "return": SHELVED, "recur": SHELVED,
        "shelve": SHELVED, "wake": UNACKNOWLEDGED, "wake-normal": CLEARED, "suppress": SUPPRESSED,
        "out-of-service": OUT_OF_SERVICE, "dismiss": CLEARED, "pass": UNACKNOWLEDGED, "merge": CLEARED,
    },
    SUPPRESSED: {
        "escalate": SUPPRESSED, "return": SUPPRESSED, "recur": SUPPRESSED, "release": UNACKNOWLEDGED,
        "release-normal": CLEARED, "out-of-service": OUT_OF_SERVICE, "merge": CLEARED,
    },
    OUT_OF_SERVICE: {
        "suppress": SUPPRESSED, "escalate": OUT_OF_SERVICE, "return": OUT_OF_SERVICE, "recur": OUT_OF_SERVICE,
        "back": UNACKNOWLEDGED, "back-normal": CLEARED, "merge": CLEARED,
    },
}  # fmt: skip

TABLE: Final[Mapping[tuple[PromptState, Event], PromptState]] = MappingProxyType(
    {(state, event): after for state, steps in _FROM.items() for event, after in steps.items()}
)
"""(state, event) → state. What is not here is not allowed."""


class RefusedTransitionError(UserError):
    """This event can't happen in this state; the message names those that can."""


def valid(state: PromptState) -> tuple[Event, ...]:
    """The events that are allowed in ``state``."""
    return tuple(event for event in EVENTS if (state, event) in TABLE)


def raised(prompt: Prompt, *, why: str) -> Transition:
    """The first transition of a new prompt, which must be unacknowledged."""
    if prompt.state != UNACKNOWLEDGED:
        raise RefusedTransitionError(f"a new prompt is {UNACKNOWLEDGED}, not {prompt.state}")
    return Transition(prompt=prompt.id, at=prompt.created, before=None, after=prompt.state, who="skidhand", why=why)


def move(
    prompt: Prompt, event: Event, *, at: datetime, who: str, why: str, **changes: Any
) -> tuple[Prompt, Transition]:
    """``prompt`` after ``event``, with ``changes`` to its other fields, and the row to write.

    Raises RefusedTransitionError when the table has no such step.
    """
    after = TABLE.get((prompt.state, event))
    if after is None:
        raise RefusedTransitionError(
            f"prompt {prompt.code} is {prompt.state} and can't {event}; it can {', '.join(valid(prompt.state))}"
        )
    if after != SHELVED:
        changes = {"shelved_until": None, **changes}
    if after not in (UNACKNOWLEDGED, ACKNOWLEDGED):  # nobody is being waited for
        changes = {"escalate_at": None, "check_at": None, **changes}
    moved = prompt.model_copy(update={"state": after, "updated": at, **changes})
    return moved, Transition(prompt=prompt.id, at=at, before=prompt.state, after=after, who=who, why=why)
