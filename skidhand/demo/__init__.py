"""The whole main job in one process, on invented data."""
