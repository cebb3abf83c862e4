"""Payload formats: one file each, found by their ``PLUGIN``."""
