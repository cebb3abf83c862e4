"""``skidhand analyze``: from samples to findings."""

from __future__ import annotations

import sys
from contextlib import closing
from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import (
    LogbookOption,
    SettingsOption,
    StoreOption,
    known_skid,
    open_logbook,
    open_store,
    parse_time,
    settings_from,
    talk,
)
from skidhand.errors import UserError

if TYPE_CHECKING:
    from analytics.cluster import Cluster
    from analytics.service import Analyzer
    from skidhand.clock import Clock
    from skidhand.logbook import Logbook
    from skidhand.settings import Settings
    from skidhand.stores.base import Store


def command(
    follow: Annotated[bool, typer.Option("--follow/--once", help="Go on with every tick, or end when up to date.")] = (
        False
    ),
    rewind: Annotated[
        str | None, typer.Option("--rewind", metavar="SKID@TIME", help="Work this skid through again from TIME on.")
    ] = None,
    interval: Annotated[
        float, typer.Option("--interval", min=0.05, metavar="SECONDS", help="Rest between two cycles of --follow.")
    ] = 5.0,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="ADDRESS|local:N", help="A Dask scheduler, or N processes, to do the work."),
    ] = None,
    settings_file: SettingsOption = None,
    store: StoreOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Work new samples into findings, once or with every tick.

    \b
    Example:
        skidhand analyze --follow
    """
    from skidhand import log
    from skidhand.cli.services import stop_event

    settings = settings_from(settings_file, store=store, logbook=logbook)
    log.set_up(settings.log, service="analyze", stream=sys.stdout if follow else sys.stderr)
    book, clock = open_logbook(settings)
    with book, closing(open_store(settings)) as samples:
        analyzer = _analyzer(cluster, settings, samples, book, clock)
        if rewind is not None:
            skid, _, moment = rewind.partition("@")
            if not moment:
                raise UserError(f"--rewind {rewind!r} is not SKID@TIME, for example 'skid-1@2026-03-01T00:00:00Z'")
            known_skid(book, skid)
            analyzer.rewind(skid, parse_time(moment))
        if follow:
            analyzer.follow(interval, stop_event())
            return
        summary = analyzer.run_once()
        analyzer.release()
    if summary.tick is None:
        raise UserError("nothing to analyse: no fleet is in force, or the stream has announced no time yet")
    talk(
        f"Up to {summary.tick:%Y-%m-%d %H:%MZ}: {summary.skids} skids, {summary.minutes} minutes worked through, "
        f"{summary.findings} revisions of findings."
    )
    for skid in summary.not_ours:
        talk(f"{skid}: another analyser holds it.")
    for skid, since in summary.too_old.items():
        talk(f"{skid}: data from {since:%Y-%m-%d} came too late; work them in with --rewind {skid}@TIME.")


def _analyzer(cluster: str | None, settings: Settings, store: Store, book: Logbook, clock: Clock) -> Analyzer | Cluster:
    from skidhand.cli.services import instance

    if cluster is None:
        from analytics.service import Analyzer

        return Analyzer(store, book, clock=clock, owner=instance())
    from analytics.cluster import Cluster, Place

    return Cluster(cluster, Place.of(settings.store, settings.logbook, settings.clock), book, owner=instance())
