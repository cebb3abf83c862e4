"""Settings of one installation: flag over environment over file over default.

The file is ``skidhand.toml`` in the working folder, or the one that ``--settings`` or ``SKIDHAND_SETTINGS``
names. A variable is ``SKIDHAND_`` and the setting's name, two underscores for each dot:
``SKIDHAND_BROKER__HOST``. Secrets come from the environment or from a file of their own, never from
``skidhand.toml`` (it is copied about and committed) or a flag (every user of the host can read it).
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, SecretStr, ValidationError, field_validator
from pydantic_settings import (
    BaseSettings,
    NoDecode,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    TomlConfigSettingsSource,
)

from skidhand.clock import ClockKind
from skidhand.errors import SettingsError

FILE: Final = "skidhand.toml"
PREFIX: Final = "SKIDHAND_"
MASK: Final = "********"
CHANNEL_SECRETS: Final = ("SMS_HTTP", "VOICE_HTTP", "EMAIL", "WEBHOOK", "APPRISE", "LISTEN", "LINKS")
NO_SETTING: Final = frozenset(
    {"SKIDHAND_SETTINGS", "SKIDHAND_DATASETS", "SKIDHAND_S3_KEY_FILE"}
    | {"SKIDHAND_INFLUX_TOKEN", "SKIDHAND_INFLUX_TOKEN_FILE"}
    | {f"{PREFIX}{name}_SECRET{end}" for name in CHANNEL_SECRETS for end in ("", "_FILE")}
)
"""Variables of ours that are no setting: which file to read, where the tests' open recordings lie, the token
that the influx store reads by itself, and the secrets of channels and of the listener for answers."""


class Group(BaseModel):
    """A group of settings; unknown names are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Tls(Group):
    """Encryption towards the broker. PEM files; without ``ca`` the system's certificates are trusted."""

    on: bool = Field(False, description="encrypt the connection")
    ca: Path | None = Field(None, description="certificates that we trust")
    cert: Path | None = Field(None, description="our own certificate")
    key: Path | None = Field(None, description="the private key of our certificate")


class Broker(Group):
    """The MQTT broker."""

    host: str = Field("localhost", min_length=1, description="host name or address")
    port: int = Field(1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    username: str | None = Field(None, description="user name, if the broker wants one")
    password: SecretStr | None = Field(None, description="password; from the environment only")
    password_file: Path | None = Field(None, description="file that holds the password and nothing else")
    protocol: Literal["5", "3.1.1"] = Field("5", description="MQTT version that ingest speaks")
    group: str | None = Field(None, description="shared subscription group, for several ingest workers")
    tls: Tls = Field(Tls(), description="encryption")

    def secret(self) -> str | None:
        """The password, or None when there is none; SettingsError when its file cannot be read."""
        if self.password is not None:
            return self.password.get_secret_value()
        if self.password_file is None:
            return None
        try:
            return self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"broker.password_file: cannot read {self.password_file}: {error}") from error


class Board(Group):
    """The web pages and the HTTP API. Without ``cert`` it speaks plain HTTP: for loopback, or behind a proxy."""

    host: str = Field("127.0.0.1", min_length=1, description="address that the board listens on")
    port: int = Field(8380, ge=0, le=65535, description="TCP port; 0 lets the system choose")
    cert: Path | None = Field(None, description="certificate (PEM) to serve HTTPS with")
    key: Path | None = Field(None, description="its private key (PEM)")
    open: bool = Field(False, description="while there are no users, anybody on this host may look (not write)")


class Sparkplug(Group):
    """Gateways that speak Sparkplug B, and what is said back to them."""

    on: bool = Field(False, description="be a Sparkplug host application")
    host_id: str = Field("skidhand", min_length=1, description="our name, which gateways know as their primary host")
    groups: tuple[str, ...] = Field((), description="groups (sites) to take; empty: all")
    state: bool = Field(True, description="tell gateways whether we are there")
    rebirth: bool = Field(True, description="ask gateways for their births when their data cannot be understood")
    reorder_s: float = Field(5.0, ge=0, description="seconds to wait for a message that is missing in the sequence")


class Log(Group):
    """What services say about themselves."""

    level: Literal["debug", "info", "warning", "error"] = Field("info", description="least level that is shown")
    format: Literal["json", "text"] = Field("json", description="json: one object a line; text: for people")


class Settings(BaseSettings):
    """All settings, checked. :func:`load_settings` makes them; ``explain`` tells where each came from."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX, env_nested_delimiter="__", env_ignore_empty=True, extra="forbid", frozen=True
    )

    broker: Broker = Field(Broker(), description="the MQTT broker")
    store: str = Field("./skidhand-data/lake", min_length=1, description="time-series store: a folder or a URL")
    logbook: str = Field("./skidhand-data/logbook.db", min_length=1, description="logbook: a file or a database URL")
    spool: Path = Field(
        Path("./skidhand-data/spool.db"), description="ingest's spool: a file, or a folder that holds spool.db"
    )
    fleet: Path | None = Field(None, description="fleet file, for commands that read one where none is in force")
    metrics: str | None = Field(None, description="where ingest serves Prometheus metrics: [HOST:]PORT")
    clock: ClockKind = Field("wall", description="wall: the machine's time; stream: the time a replay announces")
    channels: Annotated[tuple[str, ...], NoDecode] = Field(
        ("console",), min_length=1, description="how people are told, tried in order: console, file:PATH ..."
    )
    board: Board = Field(Board(), description="web pages and HTTP API")
    listen: str | None = Field(
        None, pattern=r"^.+:\d{1,5}$", description="host:port where alerts takes answers and receipts; none: nowhere"
    )
    sparkplug: Sparkplug = Field(Sparkplug(), description="gateways that speak Sparkplug B")
    alerts_metrics: str | None = Field(None, description="where alerts serves Prometheus metrics: PORT or HOST:PORT")
    alive_file: Path | None = Field(None, description="file whose time alerts sets every minute: watch it from outside")
    alive_url: str | None = Field(None, description="address that alerts calls every minute: a dead-man signal")
    log: Log = Field(Log(), description="logging")
    _origins: dict[str, str] = PrivateAttr(default_factory=dict)

    @field_validator("channels", mode="before")
    @classmethod
    def _list(cls, value: object) -> object:
        """A variable of the environment holds several, divided by commas."""
        return [part.strip() for part in value.split(",")] if isinstance(value, str) else value

    @property
    def spool_file(self) -> Path:
        """The spool's database file."""
        return self.spool / "spool.db" if self.spool.is_dir() else self.spool

    def explain(self) -> Iterator[Explained]:
        """Every setting with its value, secrets masked, and where it came from."""
        for name, value in _leaves(self):
            yield Explained(name, _shown(value), self._origins.get(name, "default"))


@dataclass(frozen=True, slots=True)
class Explained:
    """One setting: dotted name, value as text (secrets masked) and its origin."""

    name: str
    value: str
    origin: str


def load_settings(flags: Mapping[str, object] | None = None, *, file: Path | None = None) -> Settings:
    """The settings of this process.

    ``flags`` maps dotted names (``broker.host``) to values of the command line; None means not given.
    ``file`` is the settings file that a flag named. Raises SettingsError with name, value and origin.
    """
    path = _file(file)
    given = _nested({name: value for name, value in (flags or {}).items() if value is not None})
    found: list[tuple[str, dict[str, Any]]] = []

    class Loaded(Settings):
        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
            file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            toml = TomlConfigSettingsSource(settings_cls, path) if path else None
            found.append(("flag", init_settings()))
            found.append(("environment", env_settings()))
            if toml is not None:
                found.append((str(path), toml()))
            return (init_settings, env_settings, *([toml] if toml else []))

    try:
        settings = Loaded(**given)
    except ValidationError as error:
        raise SettingsError(_report(error, _origins(found))) from error
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path}: not valid TOML: {error}") from error
    except (OSError, ValueError) as error:  # pydantic-settings' own: a variable that should hold JSON
        raise SettingsError(f"settings cannot be read: {error}") from error
    settings._origins.update(_origins(found))
    _refuse_exposed_secrets(found)
    if settings.broker.password is not None and settings.broker.password_file is not None:
        raise SettingsError("broker.password and broker.password_file are both set; give one of them")
    return settings


def unknown_variables() -> list[str]:
    """Variables that look like ours and are no setting, for example through a slip of the pen."""
    known = {_variable(name) for name, _ in _leaves(Settings.model_construct())}
    return sorted(v for v in os.environ if v.startswith(PREFIX) and v not in known | NO_SETTING)


def documented() -> list[tuple[str, str, str, str]]:
    """(dotted name, variable, default as text, meaning) of every setting, in order."""
    return list(_described(Settings, ""))


def _described(model: type[BaseModel], prefix: str) -> Iterator[tuple[str, str, str, str]]:
    for name, field in model.model_fields.items():
        dotted = prefix + name
        if isinstance(field.default, Group):
            yield from _described(type(field.default), dotted + ".")
        else:
            yield dotted, _variable(dotted), _shown(field.default), field.description or ""


def _variable(dotted: str) -> str:
    return PREFIX + dotted.upper().replace(".", "__")


def _file(named: Path | None) -> Path | None:
    if named is None and (variable := os.environ.get("SKIDHAND_SETTINGS")):
        named = Path(variable)
    if named is None:
        return Path(FILE) if Path(FILE).is_file() else None
    if not named.is_file():
        raise SettingsError(f"{named}: there is no such settings file")
    return named


def _nested(flat: Mapping[str, object]) -> dict[str, Any]:
    tree: dict[str, Any] = {}
    for dotted, value in flat.items():
        *groups, leaf = dotted.split(".")
        node = tree
        for group in groups:
            node = node.setdefault(group, {})
        node[leaf] = value
    return tree


def _flat(tree: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    for name, value in tree.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def _leaves(model: BaseModel, prefix: str = "") -> Iterator[tuple[str, Any]]:
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, Group):
            yield from _leaves(value, f"{prefix}{name}.")
        else:
            yield prefix + name, value


def _origins(found: list[tuple[str, dict[str, Any]]]) -> dict[str, str]:
    origins: dict[str, str] = {}
    for origin, tree in found:
        for name, _ in _flat(tree):
            origins.setdefault(name, f"environment {_variable(name)}" if origin == "environment" else origin)
    return origins


def _password(url: str) -> str | None:
    try:
        return urlsplit(url).password if "://" in url else None
    except ValueError:
        return None


def _shown(value: object) -> str:
    if isinstance(value, SecretStr):
        return MASK
    text = ", ".join(value) if isinstance(value, tuple) else "" if value is None else str(value)
    secret = _password(text)
    return text.replace(f":{secret}@", f":{MASK}@") if secret else text


def _refuse_exposed_secrets(found: list[tuple[str, dict[str, Any]]]) -> None:
    for origin, tree in found:
        if origin == "environment":
            continue
        for name, value in _flat(tree):
            if name == "broker.password" or _password(str(value)):
                remedy = " or broker.password_file" if name == "broker.password" else ""
                raise SettingsError(
                    f"{name}: a secret must not come from a {origin if origin == 'flag' else 'settings file'} "
                    f"({origin}); use the environment variable {_variable(name)}{remedy}"
                )


def _report(error: ValidationError, origins: Mapping[str, str]) -> str:
    lines = []
    for one in error.errors(include_url=False):
        name = ".".join(str(part) for part in one["loc"])
        secret = name == "broker.password" or _password(str(one["input"])) is not None
        shown = "" if secret or isinstance(one["input"], Mapping) else f" (got {one['input']!r})"
        if one["type"] == "model_type":  # broker = "host:1883" instead of a table of its own
            parts = ", ".join(dotted for dotted, *_ in documented() if dotted.startswith(name + "."))
            lines.append(f"{name}: holds settings of its own{shown}; there are {parts}")
            continue
        if one["type"] == "extra_forbidden":
            valid = ", ".join(dotted for dotted, *_ in documented())
            lines.append(f"{name}: no such setting, from {origins.get(name, 'settings')}; there are {valid}")
        else:
            lines.append(f"{name}: {one['msg']}{shown}, from {origins.get(name, 'settings')}")
    return "\n".join(lines)
