"""docker-compose.yml, as far as it can be checked where no container engine runs."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tomllib
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import yaml
from typer.main import get_command

from skidhand.cli.main import app
from skidhand.settings import load_settings
from tests.support.needs import missing

ROOT = Path(__file__).parents[1]
COMPOSE = ROOT / "docker-compose.yml"
EXAMPLE = ROOT / "docs" / "compose.env.example"
DOCKERFILE = ROOT / "Dockerfile"
OURS = {"fleet", "ingest", "analyze", "alerts", "tidy"}
THEIRS = {"mosquitto", "postgres", "influxdb"}
VALUES = {"FLEET_FILE": "./fleet.yaml", "POSTGRES_PASSWORD": "a", "INFLUX_PASSWORD": "b", "INFLUX_TOKEN": "c"}


@pytest.fixture(scope="module")
def compose() -> dict:
    """The file as YAML reads it."""
    return yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))


def config(env_file: Path) -> subprocess.CompletedProcess[str]:
    """What ``docker-compose config`` says with the variables of ``env_file`` and none of ours."""
    program = shutil.which("docker-compose")
    if program is None:
        missing("docker-compose", "docker-compose")
    command = [program, "--file", str(COMPOSE), "--env-file", str(env_file), "config"]
    bare = {"PATH": os.environ["PATH"], "HOME": str(env_file.parent)}
    return subprocess.run(command, env=bare, cwd=env_file.parent, capture_output=True, text=True, check=False)


def env_file(folder: Path, values: dict[str, str]) -> Path:
    """The documented example, with ``values`` filled in."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for name, value in values.items():
        text, count = re.subn(rf"^{name}=$", f"{name}={value}", text, flags=re.MULTILINE)
        assert count == 1, f"{name} does not stand empty in {EXAMPLE.name}"
    path = folder / "filled.env"
    path.write_text(text, encoding="utf-8")
    return path


def test_compose_accepts_the_file(tmp_path):
    """docker-compose resolves the file once the documented variables are filled in."""
    result = config(env_file(tmp_path, VALUES))
    assert result.returncode == 0, result.stderr
    assert set(yaml.safe_load(result.stdout)["services"]) >= OURS | THEIRS - {"influxdb"}


@pytest.mark.parametrize("empty", sorted(VALUES))
def test_compose_refuses_an_empty_variable(tmp_path, empty):
    """Nothing starts with a secret or the fleet file left empty, and the refusal names it."""
    result = config(env_file(tmp_path, {name: value for name, value in VALUES.items() if name != empty}))
    assert result.returncode != 0
    assert empty in result.stderr


def test_every_variable_is_demanded_and_documented():
    """Variables are all of the ${NAME:?} kind, which has no default to forget, and stand in the example."""
    text = COMPOSE.read_text(encoding="utf-8")
    used = set(re.findall(r"(?<!\$)\$\{?(\w+)", text))
    demanded = set(re.findall(r"\$\{(\w+):\?", text))
    documented = set(re.findall(r"^(\w+)=$", EXAMPLE.read_text(encoding="utf-8"), flags=re.MULTILINE))
    assert used == demanded == documented == set(VALUES)


def test_services_are_ours_and_theirs(compose):
    """Ours run the image of our Dockerfile, theirs a published image with a version; nothing else runs."""
    services = compose["services"]
    assert set(services) == OURS | THEIRS
    assert {name for name, service in services.items() if service.get("build") == "."} == OURS
    assert all(re.search(r":\d", service["image"]) for service in services.values())


def test_our_image_carries_our_version(compose):
    """A new release does not run under the old image's name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    images = {compose["services"][name]["image"] for name in OURS}
    assert images == {f"skidhand:{project['version']}"}


def test_lasting_services_restart_and_are_watched(compose):
    """Every service but the one that runs once comes back after a crash and has a health check."""
    for name in (OURS | THEIRS) - {"fleet"}:
        service = compose["services"][name]
        assert (name, service["restart"]) == (name, "unless-stopped")
        assert (name, "test" in service["healthcheck"]) == (name, True)
    assert compose["services"]["fleet"]["restart"] == "no"


def test_ports_open_to_this_host_only(compose):
    """The broker is anonymous, so no port is opened beyond the host."""
    ports = [port for service in compose["services"].values() for port in service.get("ports", [])]
    assert ports
    assert [port for port in ports if not port.startswith("127.0.0.1:")] == []


def test_data_outlives_the_containers(compose):
    """Spool, lake and databases lie in named volumes that are declared, each used by somebody."""
    mounts = [mount for service in compose["services"].values() for mount in service["volumes"]]
    named = {mount.split(":")[0] for mount in mounts if re.match(r"\w+:", mount)}
    assert named == set(compose["volumes"]) == {"mosquitto", "postgres", "influxdb", "lake", "spool"}


def test_our_paths_lie_in_a_volume(compose):
    """The store and the spool that the settings name lie in a mounted volume; only ingest has the spool."""
    for name in OURS:
        environment = compose["services"][name]["environment"]
        wanted = {environment["SKIDHAND_STORE"]}
        wanted |= {str(Path(environment["SKIDHAND_SPOOL"]).parent)} if name == "ingest" else set()
        assert (name, volume_targets(compose["services"][name])) == (name, wanted)


def test_our_environment_is_understood(compose, monkeypatch, tmp_path):
    """skidhand reads every variable that we set (unknown ones are errors), and they name services that run."""
    monkeypatch.chdir(tmp_path)
    for name, value in compose["x-service"]["environment"].items():
        monkeypatch.setenv(name, re.sub(r"\$\{.*?\}", "secret", value))
    settings = load_settings()
    assert settings.broker.host in compose["services"]
    assert urlsplit(settings.logbook).hostname in compose["services"]
    assert settings.spool_file.parent == Path("/data/spool")
    mounted = {mount.split(":")[-2] for mount in compose["x-service"]["volumes"] if mount.endswith(":ro")}
    assert {str(settings.fleet)} == mounted


def test_our_volumes_belong_to_the_user(compose):
    """Each folder that a volume covers exists in the image for the unprivileged user, who could not write else."""
    made = re.search(r"install -d -o skidhand -g skidhand (.+)", DOCKERFILE.read_text(encoding="utf-8"))
    assert made
    targets = set().union(*(volume_targets(compose["services"][name]) for name in OURS))
    assert targets <= set(made[1].split())


def volume_targets(service: dict) -> set[str]:
    """Where a service mounts named volumes."""
    return {mount.split(":")[1] for mount in service["volumes"] if re.match(r"\w+:", mount)}


def test_broker_configuration_is_the_tested_one(compose):
    """The broker runs the file that the broker tests start."""
    mounts = compose["services"]["mosquitto"]["volumes"]
    source = next(mount.split(":")[0] for mount in mounts if mount.endswith("/mosquitto.conf:ro"))
    assert (ROOT / source).samefile(ROOT / "docs" / "broker" / "mosquitto.conf")


def test_dockerfile_copies_what_the_wheel_needs():
    """Each package of the wheel is copied in, what is copied exists, and the process is not root."""
    lines = DOCKERFILE.read_text(encoding="utf-8").splitlines()
    copied = [word for line in lines if re.match(r"COPY (?!--from)", line) for word in line.split()[1:-1]]
    pyproject = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    packages = pyproject["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    assert set(packages) <= set(copied)
    assert [name for name in copied if not (ROOT / name).exists()] == []
    assert [line for line in lines if line.startswith("USER ")] == ["USER skidhand"]


def test_our_commands_exist(compose):
    """Every service runs a command of our command line, with options that it has."""
    commands = get_command(app).commands
    for name in OURS:
        verb, *arguments = compose["services"][name]["command"]
        assert verb in commands, f"service {name} runs {verb!r}; there are {sorted(commands)}"
        known = {option for parameter in commands[verb].params for option in parameter.opts}
        unknown = [word for word in arguments if word.startswith("--") and word not in known]
        assert (name, unknown) == (name, [])
