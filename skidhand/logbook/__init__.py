"""The logbook: findings, detector states, fleet versions, prompts, answers, heartbeats, leases, entries."""

from skidhand.logbook.book import Logbook

__all__ = ["Logbook"]
