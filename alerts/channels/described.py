"""A channel's own file: TOML, checked, errors with file and field. It holds no secret, so it may be copied about."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from skidhand.errors import SettingsError


class Described(BaseModel):
    """What such a file may say; an unknown field is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)


D = TypeVar("D", bound=Described)


def described(channel: str, argument: str, model: type[D]) -> D:
    """What the file ``argument`` says of ``channel``; SettingsError names file, field and what is valid."""
    if not argument:
        raise SettingsError(f"channel '{channel}' needs its file: {channel}:{channel}.toml")
    try:
        return model.model_validate(tomllib.loads(Path(argument).expanduser().read_text(encoding="utf-8")))
    except ValidationError as error:
        first = error.errors(include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        valid = f"; there are {', '.join(model.model_fields)}" if first["type"] == "extra_forbidden" else ""
        raise SettingsError(f"channel '{channel}': {argument}: {where}: {first['msg']}{valid}") from None
    except (OSError, ValueError) as error:  # TOML and UTF-8 errors are ValueErrors
        raise SettingsError(f"channel '{channel}': cannot read {argument}: {error}") from error
