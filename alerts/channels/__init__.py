"""Ways to reach people; ``open_channel`` makes one from ``name`` or ``name:argument``."""

from __future__ import annotations

from alerts.channels.base import Address, Channel
from skidhand import plugins

__all__ = ["Address", "Channel", "open_channel"]


def open_channel(spec: str) -> Channel:
    """The channel that ``spec`` names, such as ``console`` or ``file:alerts.jsonl``.

    Raises NotFoundError (valid names are listed) or SettingsError.
    """
    name, _, argument = spec.partition(":")
    channel: Channel = plugins.get("channel", name).open(argument)
    return channel
