"""``skidhand simulate``: what a scenario's skids would send, into a file or to a broker, with the truth."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from skidhand.cli.options import BrokerOption, Format, FormatOption, SettingsOption, settings_from, talk
from skidhand.cli.output import print_rows
from skidhand.errors import UserError

if TYPE_CHECKING:
    from simulator import Scenario
    from skidhand.settings import Settings


class Wire(StrEnum):
    """Payloads that ingest reads."""

    JSON = "json"
    SENML = "senml"
    SPARKPLUG = "sparkplug"


def command(
    scenario: Annotated[
        str | None, typer.Argument(help="A scenario file, or the name of one that we bring (--list).")
    ] = None,
    listed: Annotated[bool, typer.Option("--list", help="List the scenarios that we bring.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", dir_okay=False, metavar="FILE", help="Write samples to this Parquet file.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", dir_okay=False, metavar="FILE", help="Write what happened to this file.")
    ] = None,
    broker: BrokerOption = None,
    payload: Annotated[
        Wire, typer.Option("--payload", help="How samples are written down for the broker.")
    ] = Wire.JSON,
    speed: Annotated[
        float, typer.Option("--speed", min=0.0, help="Times real speed to the broker; 0: as fast as it goes.")
    ] = 0.0,
    hours: Annotated[float | None, typer.Option("--hours", min=0.1, help="Only the first hours.")] = None,
    skids: Annotated[int | None, typer.Option("--skids", min=1, help="Only the first skids.")] = None,
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="Instead of the scenario's own.")] = None,
    settings_file: SettingsOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Simulate skids: write their samples to a file, or publish them to a broker as skids would.

    \b
    Example:
        skidhand simulate calm --out samples.parquet --truth truth.json
    """
    from simulator import load_scenario, packaged_scenarios, truth_of
    from simulator.truth import write_truth

    if listed:
        scenarios = [load_scenario(name).file for name in packaged_scenarios()]
        rows = [
            {"name": n, "hours": s.hours, "about": s.about}
            for n, s in zip(packaged_scenarios(), scenarios, strict=True)
        ]
        print_rows(rows, ("name", "hours", "about"), format)
        return
    if scenario is None:
        raise UserError("which scenario? 'skidhand simulate --list' names them")
    if (out is None) == (broker is None):
        raise UserError("give one of --out FILE and --broker HOST[:PORT]")
    story = load_scenario(scenario)
    if out is not None:
        _write(story, out, hours=hours, skids=skids, seed=seed)
    else:
        settings = settings_from(settings_file, broker=broker)
        _publish(story, settings, payload, speed, hours=hours, skids=skids, seed=seed)
    if truth is not None:
        write_truth(truth_of(story, hours=hours, skids=skids, seed=seed), truth)
        talk(f"{truth}: the truth.")


def _write(story: Scenario, out: Path, *, hours: float | None, skids: int | None, seed: int | None) -> None:
    from simulator import generate
    from simulator.recording import write_samples

    chunks = generate(story, hours=hours, skids=skids, seed=seed)
    count = write_samples((chunk.samples for chunk in chunks), out)
    talk(f"{out}: {count:,} samples of {story.name}; its fleet file is {story.fleet_path}")


def _publish(
    story: Scenario,
    settings: Settings,
    payload: Wire,
    speed: float,
    *,
    hours: float | None,
    skids: int | None,
    seed: int | None,
) -> None:
    from simulator import generate
    from simulator.publish import Publisher
    from simulator.sparkplug import Gateways
    from skidhand.cli.playback import play
    from skidhand.cli.services import connection
    from skidhand.demo.feed import steps

    chunks = generate(story, hours=hours, skids=skids, seed=seed)
    where = connection(settings.broker)
    sparkplug = payload is Wire.SPARKPLUG
    with Gateways(story.fleet, **where) if sparkplug else Publisher(**where, payload=payload.value) as publisher:
        play(publisher, story.fleet, steps(chunks, minutes=1), speed=speed, announce=settings.clock == "stream")
        talk(f"{publisher.samples_sent:,} samples in {publisher.messages_sent:,} messages sent and acknowledged.")
