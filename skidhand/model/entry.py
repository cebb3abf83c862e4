"""A logbook entry: what somebody did or measured. What an entry of each kind holds stands in ``entry_kinds``."""

from __future__ import annotations

from typing import Literal
from uuid import UUID, uuid5

from pydantic import AwareDatetime, Field

from skidhand.model.finding import Shape

_NAMESPACE = UUID("3a0e2b56-3c1f-5f0a-8b6e-51d2c7f0a9d4")

Datum = str | float | int | bool | None


class Entry(Shape):
    """One entry. ``kind`` says what sort; ``skid`` is None when it concerns the whole fleet."""

    v: Literal[1] = 1
    id: UUID
    at: AwareDatetime
    kind: str = Field(pattern=r"^[a-z][a-z-]{0,31}$")
    skid: str | None = Field(None, max_length=32)
    who: str = Field(min_length=1, max_length=128)
    text: str = ""
    data: dict[str, Datum] = Field(default_factory=dict)

    @property
    def words(self) -> str:
        """All that a search looks at, in small letters."""
        told = (str(value) for value in self.data.values() if value is not None)
        return " ".join((self.kind, self.skid or "", self.who, self.text, *told)).lower()


def entry_id(*parts: object) -> UUID:
    """UUIDv5 of what makes an entry the same entry, so that a file that is read twice doubles nothing."""
    return uuid5(_NAMESPACE, "\x1f".join(map(str, parts)))
