"""Measurements of ours beside something else in one run: ``python -m benchmarks GROUP [--quick] [--json FILE]``.

A group is a module of this package with ``measure(quick) -> Iterator[Row]``; a new group is one new file.
"""
