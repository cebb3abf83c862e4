"""YAML files checked by pydantic: every mistake becomes a line that names file, field and value."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, ValidationError

from skidhand.errors import InputFileError


class Block(BaseModel):
    """A block of a file: unknown keys are errors, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


M = TypeVar("M", bound=BaseModel)


def read_checked(path: Path, model: type[M], what: str) -> M:
    """The file at ``path`` as a ``model``; InputFileError lists what is wrong with the ``what``, a line each."""
    try:
        # ValueError: not UTF-8, or a scalar that only looks right, such as the date 2026-13-20
        data = yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, yaml.YAMLError) as error:
        raise InputFileError(f"{path}: cannot read the {what}: {error}") from error
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise InputFileError("\n".join(_said(path, e) for e in error.errors(include_url=False))) from error


def _said(path: Path, error: Any) -> str:
    where = ".".join(str(part) for part in error["loc"])
    message = str(error["msg"]).removeprefix("Value error, ")
    got = "" if error["type"] in ("value_error", "missing") else f" (got {error['input']!r})"
    return f"{path}: {where + ': ' if where else ''}{message}{got}"
