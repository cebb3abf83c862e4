"""Prompt life cycle, wording, channels and answers."""
