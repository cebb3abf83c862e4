"""Detectors, one file each, found by ``skidhand.plugins``."""
