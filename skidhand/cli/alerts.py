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
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
) -> None:
    """Turn findings into prompts, send them, and judge the answers.

    \b
    Example:
        skidhand alerts --channel console --channel file:prompts.jsonl
    """
    from alerts.channels import open_channel
    from alerts.service import AlertService
    from skidhand import log
    from skidhand.cli.services import instance, stop_event

    settings = settings_from(settings_file, logbook=logbook)
    names = tuple(channel) if channel else settings.channels
    log.set_up(settings.log, service="alerts", stream=sys.stdout if follow else sys.stderr)
    book, clock = open_logbook(settings)
    with book:
        service = AlertService(book, clock=clock, channels=[open_channel(name) for name in names], instance=instance())
        if follow:
            service.run_forever(stop=stop_event())
            return
        done = service.run_once()
        book.leases.release("alerts", instance())
    if done.standby:
        talk("Another instance sends the prompts; nothing was done.")
        return
    sent = ", ".join(f"{count} {what}" for what, count in sorted(done.outcome.items())) or "none sent"
    talk(f"{done.findings} revisions worked in, {done.raised} new prompts; messages: {sent}.")
