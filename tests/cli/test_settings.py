"""Flag over environment over file over default; every value knows where it came from; secrets stay secret."""

from __future__ import annotations

from pathlib import Path

import pytest

from skidhand.errors import SettingsError
from skidhand.settings import MASK, documented, load_settings, unknown_variables


def origin(settings, name: str) -> tuple[str, str]:
    """(value, origin) of one setting."""
    return next((one.value, one.origin) for one in settings.explain() if one.name == name)


def test_precedence(home, monkeypatch):
    """The same setting given everywhere is taken from the flag, then the environment, then the file."""
    (home / "skidhand.toml").write_text('store = "/file"\n[broker]\nhost = "file"\nport = 3\n', encoding="utf-8")
    monkeypatch.setenv("SKIDHAND_BROKER__HOST", "environment")
    monkeypatch.setenv("SKIDHAND_STORE", "/environment")
    settings = load_settings({"store": "/flag", "broker.host": None})
    assert origin(settings, "store") == ("/flag", "flag")
    assert origin(settings, "broker.host") == ("environment", "environment SKIDHAND_BROKER__HOST")
    assert origin(settings, "broker.port") == ("3", "skidhand.toml")
    assert origin(settings, "logbook") == ("./skidhand-data/logbook.db", "default")
    assert (settings.store, settings.broker.host, settings.broker.port) == ("/flag", "environment", 3)


def test_another_file(home, monkeypatch):
    """A flag or a variable names another file; one that is not there is an error, the usual one may be absent."""
    assert origin(load_settings(), "store")[1] == "default"
    other = home / "other.toml"
    other.write_text('spool = "/elsewhere.db"\n', encoding="utf-8")
    assert load_settings(file=other).spool == Path("/elsewhere.db")
    monkeypatch.setenv("SKIDHAND_SETTINGS", str(other))
    assert origin(load_settings(), "spool") == ("/elsewhere.db", str(other))
    with pytest.raises(SettingsError, match="no such settings file"):
        load_settings(file=home / "missing.toml")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("port = 1\n", ["port: no such setting", "skidhand.toml", "broker.port"]),
        ("[broker]\nprt = 1\n", ["broker.prt: no such setting", "broker.port"]),
        ('[broker]\nport = "many"\n', ["broker.port", "'many'", "skidhand.toml"]),
        ("[broker]\nport = 70000\n", ["broker.port", "65535", "70000"]),
        ('clock = "sundial"\n', ["clock", "'wall' or 'stream'", "'sundial'"]),
        ("store = 1 2\n", ["not valid TOML", "line 1"]),
        ("channels = []\n", ["channels", "at least 1"]),
    ],
)
def test_a_wrong_file(home, text, told):
    """The message names setting, value, where it came from and what would be valid."""
    (home / "skidhand.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings()
    assert [part for part in told if part not in str(caught.value)] == []


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("SKIDHAND_BROKER__PORT", "many", ["broker.port", "'many'", "environment SKIDHAND_BROKER__PORT"]),
        ("SKIDHAND_BROKER__HOTS", "x", ["broker.hots: no such setting", "broker.host"]),
        ("SKIDHAND_BROKER", "x", ["broker"]),
    ],
)
def test_a_wrong_variable(home, monkeypatch, name, value, told):
    """A variable that cannot be used is named."""
    monkeypatch.setenv(name, value)
    with pytest.raises(SettingsError) as caught:
        load_settings()
    assert [part for part in told if part not in str(caught.value)] == []


def test_a_variable_with_a_slip(home, monkeypatch):
    """A variable that is no setting is found, so that doctor can say so; an empty one counts as not given."""
    monkeypatch.setenv("SKIDHAND_STROE", "/lake")
    monkeypatch.setenv("SKIDHAND_LOGBOOK", "")
    assert unknown_variables() == ["SKIDHAND_STROE"]
    assert origin(load_settings(), "logbook")[1] == "default"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ('[broker]\npassword = "tern"\n', "SKIDHAND_BROKER__PASSWORD"),
        ('logbook = "postgresql+psycopg://skidhand:tern@db/skidhand"\n', "SKIDHAND_LOGBOOK"),
    ],
)
def test_a_secret_in_the_settings_file(home, text, name):
    """A secret in skidhand.toml is refused without being shown, and the message says where it belongs."""
    (home / "skidhand.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match="must not come from a settings file") as caught:
        load_settings()
    assert name in str(caught.value)
    assert "tern" not in str(caught.value)


def test_a_secret_on_a_flag(home):
    """A URL with a password on a flag is refused: every user of the host can read a command line."""
    with pytest.raises(SettingsError, match="must not come from a flag") as caught:
        load_settings({"logbook": "postgresql+psycopg://skidhand:tern@db/skidhand"})
    assert "tern" not in str(caught.value)


def test_secrets_from_the_environment(home, monkeypatch):
    """Secrets of the environment are taken, and masked wherever settings are shown."""
    monkeypatch.setenv("SKIDHAND_BROKER__PASSWORD", "tern")
    monkeypatch.setenv("SKIDHAND_LOGBOOK", "postgresql+psycopg://skidhand:curlew@db/skidhand")
    settings = load_settings()
    assert settings.broker.secret() == "tern"
    assert ":curlew@" in settings.logbook
    assert origin(settings, "broker.password")[0] == MASK
    assert origin(settings, "logbook")[0] == f"postgresql+psycopg://skidhand:{MASK}@db/skidhand"
    assert "tern" not in repr(settings)


def test_a_secret_in_a_file_of_its_own(home):
    """The file holds the password and an end of line; one that is not there is named; two sources are one too many."""
    (home / "word").write_text("tern\n", encoding="utf-8")
    assert load_settings({"broker.password_file": "word"}).broker.secret() == "tern"
    assert load_settings().broker.secret() is None
    with pytest.raises(SettingsError, match=r"broker\.password_file: cannot read missing"):
        load_settings({"broker.password_file": "missing"}).broker.secret()


def test_two_passwords(home, monkeypatch):
    """A password and a password file together are refused: nobody could tell which one counts."""
    monkeypatch.setenv("SKIDHAND_BROKER__PASSWORD", "tern")
    with pytest.raises(SettingsError, match="both set"):
        load_settings({"broker.password_file": "word"})


def test_the_spool_may_be_a_folder(home):
    """A folder that is there holds spool.db; anything else is the file itself."""
    (home / "volume").mkdir()
    assert load_settings({"spool": Path("volume")}).spool_file == Path("volume/spool.db")
    assert load_settings({"spool": Path("a.db")}).spool_file == Path("a.db")


def test_channels_of_the_environment(home, monkeypatch):
    """Several channels stand in one variable, divided by commas."""
    monkeypatch.setenv("SKIDHAND_CHANNELS", "console, file:a.jsonl")
    assert load_settings().channels == ("console", "file:a.jsonl")


def test_every_setting_says_what_it_means():
    """Each has a meaning, and its variable follows from its name."""
    assert [name for name, _, _, means in documented() if not means] == []
    assert ("broker.tls.ca", "SKIDHAND_BROKER__TLS__CA") in {(name, variable) for name, variable, *_ in documented()}
