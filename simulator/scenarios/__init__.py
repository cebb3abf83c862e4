"""Packaged scenario files."""
