"""``skidhand alerts``: from findings to prompts, and to people."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import LogbookOption, SettingsOption, open_logbook, settings_from, talk

if TYPE_CHECKING:
    from alerts.service import Summary
    from skidhand.clock import Clock
    from skidhand.logbook import Logbook
    from skidhand.settings import Settings


def command(
    follow: Annotated[bool, typer.Option("--follow/--once", help="Go on, or work in what waits and end.")] = True,
    channel: Annotated[
        list[str] | None, typer.Option("--channel", metavar="NAME", help="console, file:PATH ...; may be repeated.")
    ] = None,
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="HOST:PORT", help="Take answers and receipts there (--follow).")
    ] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Turn findings into prompts, send them, and judge the answers.

    \b
    Example:
        skidhand alerts --channel console --channel file:prompts.jsonl
        skidhand alerts --channel sms_http:gateway.toml --listen 127.0.0.1:8090
    """
    from alerts.channels import open_channel
    from alerts.inbound.ways import inbound
    from alerts.service import AlertService
    from alerts.watch import Watch
    from skidhand import log
    from skidhand.cli.services import instance, stop_event

    settings = settings_from(settings_file, logbook=logbook, more={"listen": listen})
    names = tuple(channel) if channel else settings.channels
    log.set_up(settings.log, service="alerts", stream=sys.stdout if follow else sys.stderr)
    book, clock = open_logbook(settings)
    with book:
        channels = [open_channel(name) for name in names]
        service = AlertService(
            book,
            clock=clock,
            channels=channels,
            instance=instance(),
            gas=_gas(settings, book, clock),
            watch=Watch() if follow and settings.clock == "wall" else None,
        )
        if follow:
            alive = _alive(settings, book)
            with inbound(settings.listen, channels, book, clock, instance()) as beat:
                service.run_forever(stop=stop_event(), alive=lambda done: (alive(done), beat())[0])
            return
        done = service.run_once()
        book.leases.release("alerts", instance())
    if done.standby:
        talk("Another instance sends the prompts; nothing was done.")
        return
    sent = ", ".join(f"{count} {what}" for what, count in sorted(done.outcome.items())) or "none sent"
    talk(f"{done.findings} revisions worked in, {done.raised} new prompts; messages: {sent}.")


def _gas(settings: Settings, book: Logbook, clock: Clock) -> Callable[[str], bool]:
    """Whether a skid's gas alarm is on or unknown, by the store; it is opened when the first skid asks for it."""
    from functools import cache

    from alerts.gas import GasWatch
    from skidhand.fleet import Fleet
    from skidhand.stores import open_store

    def fleet() -> Fleet | None:
        version = book.fleets.current()
        return version.fleet if version else None

    return GasWatch(cache(lambda: open_store(settings.store)), fleet, clock.now)


def _alive(settings: Settings, book: Logbook) -> Callable[[Summary], None]:
    """What is done after each round: the sign of life, and the counts for Prometheus."""
    from alerts.deadman import DeadMan
    from alerts.metrics import Metrics

    sign = DeadMan(settings.alive_file, settings.alive_url)
    metrics = Metrics() if settings.alerts_metrics else None
    if metrics is not None and settings.alerts_metrics:
        metrics.serve(settings.alerts_metrics)

    def alive(done: Summary) -> None:
        if not done.standby:
            sign.alive()
        if metrics is not None:
            metrics.count(done, book)

    return alive
