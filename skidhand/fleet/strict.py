"""What every block of the fleet file is, and the shape of the names in it."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Id = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]
Tag = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]


class Strict(BaseModel):
    """A block of the file: unknown keys are errors, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, allow_inf_nan=False)
