"""The HTTP API under /api/v1: one module a resource, each with a ``router``."""
