"""Cleaning, derived quantities, detectors, forecasts, diagnosis, scoring and export."""
