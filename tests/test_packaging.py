"""What the wheel carries: everything that our packages need to run, and nothing else.

That it installs and runs in an empty environment is tried by .ci/run.
"""

from __future__ import annotations

import configparser
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import skidhand

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PACKAGES = ("alerts", "analytics", "board", "ingest", "simulator", "skidhand")
METADATA = f"skidhand-{skidhand.__version__}.dist-info"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> zipfile.ZipFile:
    """A wheel built from the source tree, with the build tools of this environment."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout + built.stderr
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as archive:
        yield archive


def source_files() -> set[str]:
    """Every file of the packages, caches aside."""
    paths = (path for package in PACKAGES for path in (ROOT / package).rglob("*") if path.is_file())
    return {str(path.relative_to(ROOT)) for path in paths if "__pycache__" not in path.parts}


def test_wheel_is_the_packages_and_nothing_else(wheel):
    """No test, benchmark, document or stray file is shipped."""
    assert {name.split("/")[0] for name in wheel.namelist()} == {*PACKAGES, METADATA}


def test_wheel_carries_every_file_of_the_packages(wheel):
    """Code and the data files beside it (fleet and scenario files, templates) are all there."""
    shipped = {name for name in wheel.namelist() if not name.startswith(METADATA)}
    assert shipped == source_files()


def test_wheel_carries_what_is_not_code(wheel):
    """The logbook's migrations, the type marker of each package and the licence are there."""
    names = set(wheel.namelist())
    assert {f"{package}/py.typed" for package in PACKAGES} <= names
    assert "skidhand/logbook/migrations/env.py" in names
    assert [name for name in names if re.fullmatch(r"skidhand/logbook/migrations/versions/\w+\.py", name)]
    assert f"{METADATA}/licenses/LICENSE" in names


def test_wheel_carries_example_and_scenario_files(wheel):
    """The demo needs its fleet and its scenarios where nothing but the wheel is installed."""
    assert [name for name in wheel.namelist() if name.endswith((".yaml", ".yml"))]


def test_wheel_offers_the_command(wheel):
    """Installing it brings the one command ``skidhand``, and the code that it names is there."""
    entry_points = configparser.ConfigParser()
    entry_points.read_string(wheel.read(f"{METADATA}/entry_points.txt").decode())
    assert dict(entry_points["console_scripts"]) == {"skidhand": "skidhand.cli.main:main"}
    assert "skidhand/cli/main.py" in wheel.namelist()


def test_one_version_everywhere():
    """pyproject.toml, the package and the changelog speak of the same version."""
    assert PROJECT["project"]["version"] == skidhand.__version__
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.search(rf"^## \[(Unreleased|{re.escape(skidhand.__version__)})\]", changelog, re.MULTILINE)


def test_every_dependency_has_a_lower_bound():
    """A resolver may not pick a release older than what we have tried."""
    wanted = PROJECT["project"]["dependencies"]
    assert [name for name in wanted if ">=" not in name and not name.startswith("tzdata")] == []
