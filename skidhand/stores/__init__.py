"""Time-series stores behind one protocol; ``open_store`` picks one by its URL."""

from __future__ import annotations

from importlib import import_module
from typing import Final

from skidhand.errors import SettingsError
from skidhand.stores.base import Store

BUILT_IN: Final = {
    "influx": ("skidhand.stores.influx", "InfluxStore"),
    "lake": ("skidhand.stores.lake", "LakeStore"),
    "memory": ("skidhand.stores.memory", "MemoryStore"),
}
"""Scheme → module and class, imported only when asked for."""


def open_store(url: str) -> Store:
    """The store at ``lake:///absolute/path``, a plain path (also a lake), ``influx://host:8086/bucket`` or
    ``memory://name``.

    Raises SettingsError for an unknown scheme.
    """
    scheme = url.partition("://")[0] if "://" in url else "lake"
    if scheme not in BUILT_IN:
        valid = ", ".join(f"{name}://" for name in sorted(BUILT_IN))
        raise SettingsError(f"store {url!r}: unknown scheme {scheme!r}; valid: {valid} or a folder's path")
    module, name = BUILT_IN[scheme]
    store: Store = getattr(import_module(module), name).from_url(url)
    return store
