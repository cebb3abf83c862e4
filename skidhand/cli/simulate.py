"""``skidhand simulate``: what a scenario's skids would send, into a file or to a broker, with the truth."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

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
    listed: Annotated[
        bool, typer.Option("--list", help="List the scenarios that we bring, and all faults and look-alikes.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", dir_okay=False, metavar="FILE", help="Write samples to this Parquet file.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option("--truth", dir_okay=False, metavar="FILE", help="Write what happened to this file.")
    ] = None,
    states: Annotated[
        Path | None,
        typer.Option(
            "--states", dir_okay=False, metavar="FILE", help="Write the noise-free states to this Parquet file."
        ),
    ] = None,
    entries: Annotated[
        Path | None,
        typer.Option("--entries", dir_okay=False, metavar="FILE", help="Write what people logged to this JSON file."),
    ] = None,
    fleet: Annotated[
        Path | None,
        typer.Option("--fleet", dir_okay=False, metavar="FILE", help="Write the fleet file that belongs to it."),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", dir_okay=False, metavar="FILE", help="Draw what happens to this PNG file.")
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
        skidhand simulate calm --out samples.parquet --truth truth.json --plot calm.png
    """
    if listed:
        _list(format)
        return
    if scenario is None:
        raise UserError("which scenario? 'skidhand simulate --list' names them")
    beside = {"--truth": truth, "--states": states, "--entries": entries, "--fleet": fleet, "--plot": plot}
    if (out is not None and broker is not None) or not any((out, broker, *beside.values())):
        raise UserError(
            f"give one of --out FILE and --broker HOST[:PORT], or only what goes beside: {', '.join(beside)}"
        )
    from simulator.scenario import load_scenario, write_fleet

    story = load_scenario(scenario)
    story.chosen(skids)
    part = _Part(hours, skids, seed)
    if out is not None:
        _write(story, out, part)
    if broker is not None:
        _publish(story, settings_from(settings_file, broker=broker), payload, speed, part)
    if fleet is not None:
        write_fleet(story, fleet)
    _beside(story, part, truth=truth, states=states, entries=entries, plot=plot)


class _Part(NamedTuple):
    """How much of a scenario."""

    hours: float | None
    skids: int | None
    seed: int | None


def _list(format: Format) -> None:
    """Scenarios, then faults and look-alikes, a line each; first the numbered ones that detection is judged by."""
    from simulator import FAULTS, load_scenario, packaged_scenarios
    from simulator.faults.numbers import NUMBERS

    order = list(NUMBERS)
    rows: list[dict[str, Any]] = [
        {"sort": "scenario", "no": None, "name": name, "on": f"{file.hours:g} h", "about": file.about}
        for name in packaged_scenarios()
        if (file := load_scenario(name).file)
    ]
    rows += [
        {
            "sort": "look-alike" if fault.lookalike else "fault",
            "no": NUMBERS.get(name),
            "name": name,
            "on": fault.unit_type or ("plant" if fault.strikes == "plant" else fault.strikes),
            "about": fault.about,
        }
        for name, fault in sorted(
            FAULTS.items(),
            key=lambda item: (item[1].lookalike, order.index(item[0]) if item[0] in order else len(order), item[0]),
        )
    ]
    print_rows(rows, ("sort", "no", "name", "on", "about"), format)


def _beside(
    story: Scenario, part: _Part, *, truth: Path | None, states: Path | None, entries: Path | None, plot: Path | None
) -> None:
    """Write what goes beside the samples."""
    from simulator import entries_of, states_of, truth_of
    from simulator.entries import write_entries
    from simulator.picture import draw
    from simulator.states import write_states
    from simulator.truth import write_truth

    if truth is not None:
        write_truth(truth_of(story, **part._asdict()), truth)
        talk(f"{truth}: the truth.")
    if states is not None:
        count = write_states(states_of(story, **part._asdict()), states)
        talk(f"{states}: {count:,} noise-free states.")
    if entries is not None:
        found = entries_of(story, **part._asdict())
        write_entries(found, entries)
        talk(f"{entries}: {len(found)} entries of people.")
    if plot is not None:
        drawn = draw(story, plot, **part._asdict())
        talk(f"{plot}: {drawn} of {len(story.chosen(part.skids))} skids.")


def _write(story: Scenario, out: Path, part: _Part) -> None:
    from simulator import generate
    from simulator.recording import write_samples

    chunks = generate(story, **part._asdict())
    count = write_samples((chunk.samples for chunk in chunks), out)
    talk(f"{out}: {count:,} samples of {story.name}; its fleet file is {story.fleet_path}")


def _publish(
    story: Scenario,
    settings: Settings,
    payload: Wire,
    speed: float,
    part: _Part,
) -> None:
    from simulator import generate
    from simulator.publish import Publisher
    from simulator.sparkplug import Gateways
    from skidhand.cli.playback import play
    from skidhand.cli.services import connection
    from skidhand.demo.feed import steps

    chunks = generate(story, **part._asdict())
    where = connection(settings.broker)
    sparkplug = payload is Wire.SPARKPLUG
    with Gateways(story.fleet, **where) if sparkplug else Publisher(**where, payload=payload.value) as publisher:
        play(publisher, story.fleet, steps(chunks, minutes=1), speed=speed, announce=settings.clock == "stream")
        done = "sent" if sparkplug else "sent and acknowledged"  # Sparkplug's data has QoS 0
        talk(f"{publisher.samples_sent:,} samples in {publisher.messages_sent:,} messages {done}.")
