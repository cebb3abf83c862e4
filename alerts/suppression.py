"""What keeps a prompt quiet by design, or because somebody works there. Pure; why stands in the transition.

Suppressed by design (ISA-18.2 / IEC 62682): a skid that stands, no data, a wash that runs, a planned outage make
other prompts meaningless, not untrue. Out of service: work on the skid. Both are undone when their reason ends.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Final, Literal, NamedTuple

from alerts import routing
from skidhand.model.finding import Finding
from skidhand.model.kinds import INSTRUMENT, KINDS
from skidhand.model.prompt import Prompt, Work

_FLOW_UNITS: Final = frozenset(
    {"strainer", "feed_pump", "hydrocyclone", "media_filter", "chemical", "flotation", "reverse_osmosis",
     "filter_press", "outlet"}
)  # fmt: skip
_STILL_TRUE: Final = frozenset({"dry-running", "discharge-blocked", "backwash-stuck", "underdrain-failure",
                                "chemical-low", "cloth-torn"})  # fmt: skip
"""Of units that need flow, what may be why the skid stands, or holds though it does."""

BY_STOP: Final = frozenset(
    name for name, info in KINDS.items() if _FLOW_UNITS & set(info.on) and name not in _STILL_TRUE
)
BY_SILENCE: Final = frozenset(
    name for name, info in KINDS.items() if (set(info.on) == {INSTRUMENT} or name in BY_STOP)
) | {"unusual-pattern", "volumes-disagree", "clock-jump"}
BY_WASH: Final = frozenset({"dp-rise", "breakthrough", "channelling", "incomplete-backwash"})

SUPPRESSORS: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {"unplanned-stop": BY_STOP, "no-data": BY_SILENCE, "backwash-stuck": BY_WASH}
)
"""Kind that stands → the kinds of the same skid (of a wash: the same unit) that say nothing meanwhile."""


class Quiet(NamedTuple):
    """The state that a prompt must have, and why."""

    state: Literal["out-of-service", "suppressed"]
    why: str


def quiet(
    standing: Sequence[Finding], work: Iterable[Work], open_prompts: Iterable[Prompt], now: datetime
) -> Quiet | None:
    """What keeps a prompt of ``standing`` quiet; ``open_prompts`` are those of suppressing kinds on its skid."""
    if not standing or routing.gas_blocks(standing):
        return None
    for one in work:
        if all(_covers(one, finding, now) for finding in standing) and not _still_calls(one, standing):
            if one.kind == "work":
                return Quiet("out-of-service", f"{one.who} works there until {one.until:%Y-%m-%d %H:%MZ}: {one.why}")
            return Quiet("suppressed", f"planned outage until {one.until:%Y-%m-%d %H:%MZ}: {one.why}")
    own = {finding.id for finding in standing}
    for prompt in open_prompts:
        if prompt.root not in own and all(_suppresses(prompt, finding) for finding in standing):
            return Quiet("suppressed", f"by design: {prompt.head} stands, prompt {prompt.code}")
    return None


def on_site(standing: Sequence[Finding], work: Iterable[Work], now: datetime) -> str | None:
    """Who works where ``standing`` is, and must hear of a call-out; None when nobody does."""
    return next(
        (one.who for one in work if one.kind == "work" and any(_covers(one, finding, now) for finding in standing)),
        None,
    )


def _covers(work: Work, finding: Finding, now: datetime) -> bool:
    inside = work.ended is None and work.begins <= now < work.until
    return inside and work.skid == finding.skid and work.unit in (None, finding.unit)


def _still_calls(work: Work, standing: Sequence[Finding]) -> bool:
    """Call-outs go on; that a skid stops is what a planned outage is."""
    kinds = {finding.kind for finding in standing if routing.kind_info(finding.kind).prompt == "call-out"}
    return bool(kinds - {"unplanned-stop"} if work.kind == "outage" else kinds)


def _suppresses(prompt: Prompt, finding: Finding) -> bool:
    same_place = prompt.head != "backwash-stuck" or prompt.unit == finding.unit
    stands = prompt.state not in ("cleared", "returned-unacknowledged", "suppressed", "out-of-service")
    return stands and same_place and finding.kind in SUPPRESSORS.get(prompt.head, frozenset())
