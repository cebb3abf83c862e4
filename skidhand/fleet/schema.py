"""JSON Schemas (2020-12) of the fleet file and of the shapes in ``skidhand.model``.

``python -m skidhand.fleet.schema docs/schemas`` writes them; a test tells when they are out of date.
"""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil
import re
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel

import skidhand.model
from skidhand.fleet.model import Fleet

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, dict[str, Any]]:
    """File name → schema: the fleet file, and every shared shape that is no part of another one."""
    shapes = [model for module in _modules() for model in _models(module)]
    made = {model.__name__: _schema(model) for model in shapes if model.model_fields}
    parts = {name for schema in made.values() for name in schema.get("$defs", {})}
    whole = {f"{_file_name(name)}.json": schema for name, schema in made.items() if name not in parts}
    return {"fleet-file.json": _schema(Fleet), **whole}


def render(schema: dict[str, Any]) -> str:
    """The text of the file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def write(folder: Path) -> None:
    """Write every schema into ``folder`` and remove those that there are no shapes for any more."""
    folder.mkdir(parents=True, exist_ok=True)
    current = schemas()
    for path in folder.glob("*.json"):
        if path.name not in current:
            path.unlink()
    for name, schema in current.items():
        (folder / name).write_text(render(schema), encoding="utf-8")


def _modules() -> list[Any]:
    found = sorted(info.name for info in pkgutil.iter_modules(skidhand.model.__path__))
    return [importlib.import_module(f"skidhand.model.{name}") for name in found]


def _models(module: Any) -> list[type[BaseModel]]:
    members = inspect.getmembers(module, inspect.isclass)
    return [cls for _, cls in members if issubclass(cls, BaseModel) and cls.__module__ == module.__name__]


def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return {"$schema": DIALECT, **model.model_json_schema(by_alias=True)}


def _file_name(name: str) -> str:
    return re.sub(r"(?<!^)(?=[A-Z])", "-", name).lower()


if __name__ == "__main__":
    write(Path(sys.argv[1]))
