"""``skidhand alerts``: from findings to prompts, and to people."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from skidhand.cli.options import LogbookOption, SettingsOption, open_logbook, settings_from, talk


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
    from alerts.inbound.server import Listening
    from alerts.service import AlertService
    from skidhand import log
    from skidhand.cli.services import instance, stop_event

    settings = settings_from(settings_file, logbook=logbook, more={"listen": listen})
    names = tuple(channel) if channel else settings.channels
    log.set_up(settings.log, service="alerts", stream=sys.stdout if follow else sys.stderr)
    book, clock = open_logbook(settings)
    with book:
        service = AlertService(book, clock=clock, channels=[open_channel(name) for name in names], instance=instance())
        if follow:
            stop = stop_event()
            if settings.listen is None:
                service.run_forever(stop=stop)
                return
            with Listening(settings.listen, book, clock, instance()) as listening:
                service.run_forever(stop=stop, alive=lambda _: listening.beat())
            return
        done = service.run_once()
        book.leases.release("alerts", instance())
    if done.standby:
        talk("Another instance sends the prompts; nothing was done.")
        return
    sent = ", ".join(f"{count} {what}" for what, count in sorted(done.outcome.items())) or "none sent"
    talk(f"{done.findings} revisions worked in, {done.raised} new prompts; messages: {sent}.")
