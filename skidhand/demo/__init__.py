"""The whole main job in one process, on invented data: simulate, publish, ingest, store, analyse, prompt, score."""

from skidhand.demo.loop import run_demo

__all__ = ["run_demo"]
