"""Which part of the house may import which, who may look at the time, and how long a file may be.

Data flows one way and the stages meet only in topics, in the store and in the logbook. These walls keep
it so: they are read from the source with ``ast``, imports inside functions and under TYPE_CHECKING
included.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ROOMS = ("skidhand", "ingest", "analytics", "alerts", "board", "simulator")
JOINING = (
    "skidhand.cli",
    "skidhand.demo",
    "skidhand.supervise",
    "skidhand.backtest",
    "skidhand.reporting",
)
LONGEST_FILE = 400

# Files that may ask the machine for the time of day, each with its reason.
CLOCK_READERS = {
    "skidhand/clock.py": "it alone says what now is",
    "skidhand/stores/lake_files.py": "stamps file actions, whose times are the machine's",
    "skidhand/stores/lake_history.py": "compares with commit times, which are the machine's",
    "skidhand/stores/lake_table.py": "compares with file times, which are the machine's",
}
CLOCK_CALLS = {
    *(f"{owner}.{verb}" for owner in ("datetime", "date", "Timestamp") for verb in ("now", "utcnow", "today")),
    "time.time",
    "time.time_ns",
}


@dataclass(frozen=True)
class Wall:
    """``forbidden`` may be imported only by ``allowed``; both are module names that cover what lies below."""

    forbidden: tuple[str, ...]
    allowed: tuple[str, ...]
    reason: str


WALLS = (
    Wall(("ingest",), ("ingest", *JOINING), "others meet ingest's work in the store"),
    Wall(("analytics",), ("analytics", "board", *JOINING), "others meet findings in the logbook"),
    Wall(("alerts",), ("alerts", *JOINING), "others meet prompts and answers in the logbook"),
    Wall(("board",), ("board", *JOINING), "the board only reads; nothing hangs on it"),
    Wall(("simulator",), ("simulator", *JOINING), "nothing may know whether a skid is simulated"),
    Wall(JOINING, JOINING, "the joining modules stand above the rooms and may change with any of them"),
    Wall(("paho",), ("ingest", "simulator"), "only these two speak MQTT"),
    Wall(("deltalake", "influxdb_client"), ("skidhand.stores",), "a store is known by its protocol alone"),
    Wall(("ruptures", "sklearn"), ("analytics",), "statistics of detectors stay with the detectors"),
    Wall(("dask", "distributed"), ("analytics",), "whether several processes share the work is analytics' own matter"),
    Wall(("tests", "benchmarks"), (), "neither is shipped"),
)


def lies_in(module: str, places: tuple[str, ...]) -> bool:
    """True when ``module`` is one of ``places`` or below one."""
    return any(module == place or module.startswith(place + ".") for place in places)


def module_name(path: Path, root: Path) -> str:
    """Dotted name of the module in ``path``; a package goes by its folder."""
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path, root: Path) -> Iterator[tuple[int, str]]:
    """(line, module) of every import; ``from a import b`` gives a and a.b, for b may be a module."""
    name = module_name(path, root)
    package = name.split(".") if path.stem == "__init__" else name.split(".")[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        match node:
            case ast.Import(names=names):
                yield from ((node.lineno, alias.name) for alias in names)
            case ast.ImportFrom(module=module, names=names, level=level):
                above = package[: len(package) - level + 1] if level else []
                base = ".".join([*above, *([module] if module else [])])
                yield node.lineno, base
                yield from ((node.lineno, f"{base}.{alias.name}") for alias in names)
            case ast.Call(
                func=ast.Name(id="import_module" | "__import__") | ast.Attribute(attr="import_module"),
                args=[ast.Constant(value=str(module)), *_],
            ):
                yield node.lineno, module


def sources(root: Path) -> list[Path]:
    """Every Python file of the packages under ``root``."""
    return sorted(path for room in ROOMS for path in (root / room).rglob("*.py"))


def breaches(root: Path) -> list[str]:
    """One line for each import that goes through a wall."""
    found = {
        f"{path.relative_to(root)}:{line} imports {wall_of(target, wall)}: {wall.reason}"
        for path in sources(root)
        for line, target in imports(path, root)
        for wall in WALLS
        if lies_in(target, wall.forbidden) and not lies_in(module_name(path, root), wall.allowed)
    }
    return sorted(found)


def wall_of(target: str, wall: Wall) -> str:
    """The forbidden place that ``target`` lies in: one breach is told once, not once for each name."""
    return next(place for place in wall.forbidden if lies_in(target, (place,)))


def too_long(root: Path) -> list[str]:
    """One line for each file with more than LONGEST_FILE lines."""
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in sources(root)}
    return [f"{path.relative_to(root)} has {n} lines" for path, n in lengths.items() if n > LONGEST_FILE]


def clock_reads(root: Path) -> list[str]:
    """One line for each call that asks the machine for the time of day; measuring a duration is free."""
    return [
        f"{path.relative_to(root)}:{node.lineno} calls {ast.unparse(node.func)}; ask skidhand/clock.py"
        for path in sources(root)
        if str(path.relative_to(root)) not in CLOCK_READERS
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path)))
        if isinstance(node, ast.Call) and ".".join(ast.unparse(node.func).split(".")[-2:]) in CLOCK_CALLS
    ]


def plant(root: Path, file: str, text: str) -> None:
    """Write ``text`` to ``file`` below ``root``."""
    path = root / file
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")


def test_the_rooms_are_found():
    """Every room has source that is looked at: an empty walk would prove nothing."""
    assert {path.relative_to(ROOT).parts[0] for path in sources(ROOT)} == set(ROOMS)


def test_no_import_goes_through_a_wall():
    """The packages keep to the walls."""
    assert breaches(ROOT) == []


@pytest.mark.parametrize(
    ("file", "text", "told"),
    [
        ("skidhand/units.py", "import analytics\n", "skidhand/units.py:1 imports analytics"),
        ("skidhand/model/x.py", "from alerts.roster import Shift\n", "imports alerts"),
        ("ingest/drain.py", "def f():\n    from analytics import dp\n", "ingest/drain.py:2 imports analytics"),
        ("alerts/life.py", "from typing import *\nimport board.pages as p\n", "alerts/life.py:2 imports board"),
        ("board/pages.py", "import alerts\n", "imports alerts"),
        ("analytics/loop.py", "from skidhand import cli\n", "imports skidhand.cli"),
        ("skidhand/logbook/x.py", "from ..demo import run\n", "imports skidhand.demo"),
        ("skidhand/x.py", "from . import backtest\n", "imports skidhand.backtest"),
        ("alerts/x.py", "import paho.mqtt.client\n", "imports paho"),
        ("skidhand/cli/x.py", "import paho\n", "imports paho"),
        ("analytics/x.py", "import deltalake\n", "imports deltalake"),
        ("ingest/x.py", "from influxdb_client import InfluxDBClient\n", "imports influxdb_client"),
        ("skidhand/x.py", "from sklearn.linear_model import HuberRegressor\n", "imports sklearn"),
        ("simulator/x.py", "import importlib\nimportlib.import_module('ruptures')\n", "imports ruptures"),
        ("board/x.py", "if TYPE_CHECKING:\n    import simulator\n", "imports simulator"),
        ("analytics/x.py", "from tests.support import mosquitto\n", "imports tests"),
    ],
)
def test_a_planted_breach_is_told_once(tmp_path, file, text, told):
    """Each wall catches an import through it, in whatever form, and names file, line and module."""
    plant(tmp_path, file, text)
    assert [told in line for line in breaches(tmp_path)] == [True]


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("skidhand/cli/main.py", "import alerts, analytics, board, ingest, simulator, skidhand.demo\n"),
        ("skidhand/demo.py", "import simulator\nfrom .cli import main\n"),
        ("board/pages.py", "from analytics.export import cleaned\n"),
        ("ingest/link.py", "import paho.mqtt.client\nfrom skidhand.stores import lake\n"),
        ("skidhand/stores/lake.py", "import deltalake\n"),
        ("analytics/dp.py", "import ruptures\nfrom . import clean\nfrom skidhand.clientele import x\n"),
        ("alerts/words.py", "import board_games, pahoehoe\n"),
    ],
)
def test_what_is_allowed_is_not_told(tmp_path, file, text):
    """The doors stay open, and a name that only begins like a forbidden one is another name."""
    plant(tmp_path, file, text)
    assert breaches(tmp_path) == []


def test_nobody_but_the_clock_asks_for_the_time():
    """A demo or replay runs in its own time, which a look at the machine's clock would break."""
    assert clock_reads(ROOT) == []


@pytest.mark.parametrize(
    ("call", "told"),
    [
        ("datetime.now(UTC)", True),
        ("datetime.datetime.utcnow()", True),
        ("pd.Timestamp.now()", True),
        ("time.time()", True),
        ("time.time_ns()", True),
        ("time.monotonic()", False),
        ("self.clock.now()", False),
        ("datetime.fromtimestamp(0, UTC)", False),
    ],
)
def test_a_planted_look_at_the_time_is_told(tmp_path, call, told):
    """The time of day is told in each form; a duration, our clock and a given time are not."""
    plant(tmp_path, "alerts/quiet.py", f"x = {call}\n")
    assert clock_reads(tmp_path) == (
        [f"alerts/quiet.py:1 calls {call.split('(')[0]}; ask skidhand/clock.py"] if told else []
    )


def test_no_file_is_too_long():
    """A file can be held in the head."""
    assert too_long(ROOT) == []


def test_a_file_that_is_too_long_is_named(tmp_path):
    """One line more than allowed is told, with the file's name."""
    plant(tmp_path, "ingest/short.py", "x = 1\n" * LONGEST_FILE)
    plant(tmp_path, "ingest/long.py", "x = 1\n" * (LONGEST_FILE + 1))
    assert too_long(tmp_path) == ["ingest/long.py has 401 lines"]
