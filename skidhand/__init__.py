"""Historian and anomaly detector for produced-water treatment skids."""

__version__ = "0.1.0"
