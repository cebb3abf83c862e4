"""The long proof: what the detectors find, miss and falsely call on simulated plants that they were not tuned on.

``python -m benchmarks.proof --help``; docs/results/README.md says how to read what it writes.
"""
