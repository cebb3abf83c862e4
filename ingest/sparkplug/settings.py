"""How ingest behaves as a Sparkplug host application."""

from __future__ import annotations

from dataclasses import dataclass

from skidhand.errors import SettingsError


@dataclass(frozen=True, slots=True, kw_only=True)
class SparkplugSettings:
    """``host_id``: our name as a host application. ``groups``: the groups (sites) to take, empty for all.

    ``state``: tell gateways by a retained STATE message whether we are there. ``rebirth``: ask an edge node
    for its births again when its data cannot be understood. With both off nothing is ever published.
    ``reorder_s``: how long a gap in the sequence may last before the births are asked for.
    ``rebirth_pause_s``: the least time between two requests to one edge node.
    """

    host_id: str = "skidhand"
    groups: tuple[str, ...] = ()
    state: bool = True
    rebirth: bool = True
    reorder_s: float = 5.0
    rebirth_pause_s: float = 10.0

    def __post_init__(self) -> None:
        for name in (self.host_id, *self.groups):
            if not name or set(name) & set("/+#"):
                raise SettingsError(f"sparkplug: {name!r} must be a name without '/', '+' and '#'")
        if self.reorder_s < 0:
            raise SettingsError(f"sparkplug: reorder_s {self.reorder_s} must be 0 or more seconds")
