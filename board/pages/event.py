"""One finding: evidence, cause, what was ruled out, first step, cautions, messages, answers."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse, Response

from board import plot, sentences, when
from board.access import Looking, may_write
from board.answering import SAID, Said, answer
from board.house import House, house_of, not_here
from board.log import log_of
from board.render import render, unit, words_of
from board.trend import Panel
from board.viewer import Viewer
from board.words import Words
from skidhand.errors import UserError
from skidhand.fleet import Fleet, Instrument
from skidhand.fleet.hazards import hazards_of
from skidhand.model.finding import Finding, Trace
from skidhand.model.samples import moment

router = APIRouter(include_in_schema=False)


@router.get("/events/{finding}")
def page(request: Request, viewer: Looking, finding: UUID, said: str = "") -> Response:
    """The page of one finding."""
    house, t = house_of(request), words_of(request)
    found = seen(house, viewer, finding)
    version = house.fleet()
    zone, now = when.zone_of(version.fleet, found.site), house.now()
    prompt = house.logbook.prompts.of_finding(found.id)
    skid = version.fleet.skid(found.skid)
    start, end = _window(found, now)
    panels = [one for trace in found.evidence.traces if not (one := _drawn(trace, t)).empty]
    return render(
        request,
        "event.html",
        viewer,
        finding=found,
        shown=sentences.shown,
        what=_capital(t.what(found.kind, found.unit)),
        cause=t.cause(found.cause) or (t("line.untold") if found.cause == "unknown" else ""),
        skid=skid,
        site=next((one for one in version.fleet.sites if one.id == found.site), None),
        cautions=cautions(found, version.fleet, t),
        gas="gas-alarm" in hazards_of(found, version.fleet),
        panels=panels,
        gaps=any('class="gap"' in one.svg for one in panels),
        ticks=plot.ticks(start, end, zone, t),
        root=house.logbook.look.finding(found.root) if found.root else None,
        prompt=prompt,
        log=log_of(house, prompt, t) if prompt else [],
        verbs=SAID if prompt and viewer.may("answer") and viewer.via != "open" and prompt.state != "cleared" else (),
        people=[person.id for person in version.fleet.roster.people],
        said=said == "yes",
        now=now,
        zone=zone,
    )


@router.post("/events/{finding}/answers")
def say(
    request: Request,
    viewer: Annotated[Viewer, Depends(may_write("answer"))],
    finding: UUID,
    verb: Annotated[Said, Form()],
    text: Annotated[str, Form(max_length=300)] = "",
) -> Response:
    """Answer the prompt of this finding."""
    house = house_of(request)
    found = seen(house, viewer, finding)
    prompt = house.logbook.prompts.of_finding(found.id)
    if prompt is None:
        raise UserError("this finding has no prompt to answer")
    answer(house, viewer, prompt, verb, text, house.now())
    return RedirectResponse(f"/events/{finding}?said=yes#answer", status_code=303)


def seen(house: House, viewer: Viewer, finding: UUID) -> Finding:
    """The finding, if this viewer may see it; NotFoundError otherwise."""
    found = house.logbook.look.finding(finding)
    if found is None or viewer.customer or not viewer.sees_site(found.site):
        raise not_here("finding", str(finding))
    return found


def cautions(finding: Finding, fleet: Fleet, t: Words) -> list[str]:
    """Every caution in full, the gas alarm first; one that has no words here is said by its code."""
    given = hazards_of(finding, fleet)
    return [t.hazards[code] for code in t.hazards if code in given] + sorted(given - set(t.hazards))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _window(finding: Finding, now: datetime) -> tuple[datetime, datetime]:
    times = [time for trace in finding.evidence.traces for time in trace.times]
    if not times:
        return finding.onset, finding.ended or now
    return moment(min(times)), moment(max(times)) + timedelta(minutes=1)


def _drawn(trace: Trace, t: Words) -> plot.Drawn:
    """A trace of evidence as a panel: its points lie on minutes, thinned evenly."""
    instrument = Instrument.model_construct(unit=trace.unit, note=t.number(trace.name), reporting="periodic")
    times = trace.times or (0,)
    gaps = sorted(b - a for a, b in pairwise(times) if b > a)
    step_us = gaps[len(gaps) // 2] if gaps else 60_000_000
    count = min(2000, (times[-1] - times[0]) // step_us + 1)
    values: list[float | None] = [None] * count
    for time, value in zip(trace.times, trace.values, strict=True):
        at = round((time - times[0]) / step_us)
        if 0 <= at < count:
            values[at] = value
    width = max(1, step_us // 1_000_000)
    none: tuple[float | None, ...] = (None,) * count
    panel = Panel(trace.tag or "", instrument, moment(times[0]), width, none, none, tuple(values))
    return plot.draw(panel, unit(trace.unit), t.number(trace.name))
