"""Time-series stores behind one protocol; ``open_store`` picks one by its URL."""

from __future__ import annotations

from skidhand import plugins
from skidhand.errors import SettingsError
from skidhand.stores.base import Store


def open_store(url: str) -> Store:
    """The store at ``lake:///absolute/path``, a plain path or ``s3://bucket/folder`` (also lakes), or any other URL.

    Built in besides the lake: ``influx://host:8086/bucket`` and ``memory://name``. Raises SettingsError for an
    unknown scheme.
    """
    scheme = url.partition("://")[0] if "://" in url else "lake"
    scheme = "lake" if scheme == "s3" else scheme
    found = plugins.load("store")
    if scheme not in found:
        valid = ", ".join(f"{name}://" for name in sorted(found))
        raise SettingsError(f"store {url!r}: unknown scheme {scheme!r}; valid: {valid}, s3:// or a folder's path")
    store: Store = found[scheme].member.from_url(url)
    return store
