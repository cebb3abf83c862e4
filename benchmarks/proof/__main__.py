"""``python -m benchmarks.proof``: run what is left of the cases, then write their figures. Hours; may be stopped."""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from benchmarks.proof.bounds import worse
from benchmarks.proof.cases import PROGRAMMES, Case, cases
from benchmarks.proof.figures import TARGETS, figures
from benchmarks.proof.run import Record, run_case


def main(arguments: list[str]) -> int:
    """Run the proof and print its figures; the exit code is 1 if they are worse than those to hold."""
    given = _parsed(arguments)
    first, last = (int(part) for part in given.seeds.split("-"))
    wanted = cases(range(first, last + 1), given.quiet_months, tuple(given.programme))
    if given.tenth:
        wanted = wanted[::10]
    commit = _commit()
    given.work.mkdir(parents=True, exist_ok=True)
    done = given.work / f"cases-{commit}.jsonl"
    known = {r["id"]: r for r in _read(done)}
    left = [case for case in wanted if case.id not in known]
    with done.open("a", encoding="utf-8") as file:
        for record in _run(left, given.jobs, given.until):
            known[record["id"]] = record
            file.write(json.dumps(record) + "\n")
            file.flush()
            sys.stderr.write(f"{len(known)} of {len(wanted)}: {record['id']} in {record['cpu_s']} s of processor\n")
    records = [known[case.id] for case in wanted if case.id in known]
    report = {
        "commit": commit,
        "seeds": given.seeds,
        "cases": len(records),
        "cases_wanted": len(wanted),
        "skid_months": round(sum(r["skid_months"] for r in records), 2),
        "processor_s": round(sum(r["cpu_s"] for r in records)),
        "machine": {"processor": platform.machine(), "cores": os.cpu_count(), "python": platform.python_version()},
        "targets": TARGETS,
        "figures": figures(records),
    }
    text = json.dumps(report, indent=1) + "\n"
    sys.stdout.write(text)
    if given.json is not None:
        given.json.parent.mkdir(parents=True, exist_ok=True)
        given.json.write_text(text, encoding="utf-8")
    if given.against is not None:
        lines = worse(report, json.loads(given.against.read_text(encoding="utf-8")))
        sys.stderr.write("".join(f"worse than {given.against}: {line}\n" for line in lines))
        return 1 if lines else 0
    return 0


def _parsed(arguments: list[str]) -> Any:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.proof", description=__doc__)
    parser.add_argument("--seeds", default="1300-1319", metavar="A-B", help="1 to 99 are for tuning, the rest is not")
    parser.add_argument("--quiet-months", type=float, default=60.0, help="skid-months in which nothing happens")
    parser.add_argument("--programme", action="append", default=[], choices=sorted(PROGRAMMES))
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--tenth", action="store_true", help="every tenth case")
    parser.add_argument("--until", type=float, default=float("inf"), metavar="SECONDS", help="begin no case after")
    parser.add_argument("--work", type=Path, default=Path("proof-work"), help="cases that are done, a line each")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    parser.add_argument("--against", type=Path, metavar="FILE", help="fail if figures are worse than this file's")
    return parser.parse_args(arguments)


def _run(left: list[Case], jobs: int, seconds: float) -> Iterator[Record]:
    end = time.monotonic() + seconds
    if jobs == 1:
        for case in left:
            if time.monotonic() > end:
                return
            yield run_case(case)
        return
    with ProcessPoolExecutor(jobs) as pool:
        waiting = [pool.submit(run_case, case) for case in left]
        for future in as_completed(waiting):
            yield future.result()
            if time.monotonic() > end:
                pool.shutdown(cancel_futures=True)
                return


def _commit() -> str:
    asked = subprocess.run(["git", "rev-parse", "--short=12", "HEAD"], capture_output=True, text=True, check=False)
    dirty = subprocess.run(["git", "status", "--porcelain", "-uno"], capture_output=True, text=True, check=False)
    return (asked.stdout.strip() or "unknown") + ("-changed" if dirty.stdout.strip() else "")


def _read(path: Path) -> list[Record]:
    """Cases that are done; a line that a kill has cut short is run again."""
    if not path.exists():
        return []
    found = []
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            found.append(json.loads(line))
        except ValueError:
            continue
    return found


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
