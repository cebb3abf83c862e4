"""``skidhand replay``: a recording goes through the broker as if it came from its skids."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from skidhand.cli.options import BrokerOption, FleetOption, SettingsOption, settings_from, talk
from skidhand.errors import UserError


def command(
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, metavar="FILE", help="CSV or Parquet recording.")
    ],
    map: Annotated[
        Path | None,
        typer.Option("--map", exists=True, dir_okay=False, metavar="FILE", help="Which column is which tag (YAML)."),
    ] = None,
    fleet: FleetOption = None,
    broker: BrokerOption = None,
    speed: Annotated[
        float, typer.Option("--speed", min=0.0, help="Times the speed of then; 0: as fast as the broker takes it.")
    ] = 0.0,
    settings_file: SettingsOption = None,
) -> None:
    """Publish a recording with its own source times.

    Without --map the file must be one that 'skidhand simulate --out' wrote. With the stream clock
    (clock = "stream" in the settings) time is announced too, so that prompts come as they would have.

    \b
    Example:
        skidhand replay march.csv --fleet fleet.yaml --map march-map.yaml --speed 60
    """
    from simulator.publish import Publisher
    from simulator.recording import load_map, read_recording, read_samples
    from skidhand.cli.playback import play, recording_steps
    from skidhand.cli.services import connection
    from skidhand.fleet import load_fleet

    settings = settings_from(settings_file, broker=broker, fleet=fleet)
    if settings.fleet is None:
        raise UserError("replay needs --fleet FILE: it says where each skid stood")
    known = load_fleet(settings.fleet).fleet
    tables = read_recording(file, load_map(map, known), known) if map is not None else read_samples(file)
    with Publisher(**connection(settings.broker)) as publisher:
        end = play(publisher, known, recording_steps(tables), speed=speed, announce=settings.clock == "stream")
        if end is None:
            raise UserError(f"{file}: there is nothing in it")
        talk(f"{publisher.samples_sent:,} samples in {publisher.messages_sent:,} messages sent and acknowledged.")
