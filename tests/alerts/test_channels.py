"""The contract of channels, over every one that is found; and what each does of its own."""

from __future__ import annotations

import io
import json
from uuid import uuid4

import pytest

from alerts.channels import open_channel
from alerts.channels.console import ConsoleChannel
from alerts.channels.file import FileChannel
from skidhand import plugins
from skidhand.errors import ChannelError, NotFoundError, SettingsError
from skidhand.model.prompt import Delivery
from tests.alerts.helpers import NOON
from tests.support.mail import mail_server
from tests.support.web import keeping_server


def _gateway(channel, tmp, url):
    """A gateway's file of ``channel``, as the argument that opens it."""
    path = tmp / f"{channel}.toml"
    path.write_text(f'url = "{url}"\n[params]\nto = "{{to}}"\n', encoding="utf-8")
    return f"{channel}:{path}"


def _described(channel, tmp, text):
    """A file of ``channel`` that says ``text``, as the argument that opens it."""
    path = tmp / f"{channel}.toml"
    path.write_text(text, encoding="utf-8")
    return f"{channel}:{path}"


def _modem(tmp, name):
    return _described("sms_modem", tmp, f'outbox = "{tmp / name}"\n')


def _mail(tmp, port):
    mail = f'host = "127.0.0.1"\nport = {port}\nsecurity = "none"\nsender = "a@b.example"\n'
    return _described("email", tmp, mail)


AWAY = "http://127.0.0.1:1/"
# How each channel is opened so that it works (``server`` takes everything), and so that it fails; a new one is
# entered here.
WORKING = {
    "console": lambda *_: "console",
    "file": lambda tmp, _: f"file:{tmp / 'out.jsonl'}",
    "recording": lambda *_: "recording",
    "sms_http": lambda tmp, server: _gateway("sms_http", tmp, server.url),
    "voice_http": lambda tmp, server: _gateway("voice_http", tmp, server.url),
    "sms_modem": lambda tmp, _: _modem(tmp, "."),
    "webhook": lambda tmp, server: _described("webhook", tmp, f'url = "{server.url}"'),
    "apprise": lambda *_: "apprise",
    "email": lambda tmp, server: _mail(tmp, server.mail),
}
FAILING = {
    "console": lambda _: ConsoleChannel(_closed()),
    "file": lambda tmp: FileChannel(tmp / "no-such-folder" / "out.jsonl"),
    "recording": lambda _: _failing_recording(),
    "sms_http": lambda tmp: open_channel(_gateway("sms_http", tmp, AWAY)),
    "voice_http": lambda tmp: open_channel(_gateway("voice_http", tmp, AWAY)),
    "sms_modem": lambda tmp: open_channel(_modem(tmp, "no-such-folder/x")),
    "webhook": lambda tmp: open_channel(_described("webhook", tmp, f'url = "{AWAY}"')),
    "apprise": lambda _: open_channel("apprise"),
    "email": lambda tmp: open_channel(_mail(tmp, 1)),
}
NAMES = sorted(plugins.load("channel"))


def _closed():
    stream = io.StringIO()
    stream.close()
    return stream


def _failing_recording():
    channel = open_channel("recording")
    channel.failing = lambda _: "told to"
    return channel


def delivery(text="Skid 1 tansy-4 MED: filter-a backwash. Answer 4821", **changes):
    """A message to Robin."""
    base = {
        "id": uuid4(), "prompt": uuid4(), "channel": "x", "person": "robin", "address": "+15550100001", "text": text,
        "state": "queued", "queued": NOON,
    }  # fmt: skip
    return Delivery.model_validate(base | changes)


@pytest.mark.parametrize("name", NAMES)
def test_a_channel_is_opened_by_its_name_and_takes_a_message(tmp_path, monkeypatch, name):
    """It says its own name, and hands over a message; it gives a reference only where a receipt may come."""
    monkeypatch.setenv("NO_PROXY", "*")
    monkeypatch.setenv("SKIDHAND_WEBHOOK_SECRET", "a long secret of this test")
    with keeping_server() as server, mail_server() as server.mail:
        monkeypatch.setenv("SKIDHAND_APPRISE_SECRET", server.url.replace("http://", "json://"))
        channel = open_channel(WORKING[name](tmp_path, server))
        assert channel.name == name
        one = delivery(**({"address": "robin@tansyflat.example"} if channel.address == "email" else {}))
        assert channel.send(one) in (None, str(one.id))


@pytest.mark.parametrize("name", NAMES)
def test_what_can_not_be_handed_over_is_a_channel_error(tmp_path, monkeypatch, name):
    """Nothing else escapes, and the message begins with the channel's name and holds no whole number."""
    monkeypatch.setenv("NO_PROXY", "*")
    monkeypatch.setenv("SKIDHAND_WEBHOOK_SECRET", "a long secret of this test")
    monkeypatch.setenv("SKIDHAND_APPRISE_SECRET", AWAY.replace("http://", "json://"))
    with pytest.raises(ChannelError, match=f"^{name}: ") as caught:
        FAILING[name](tmp_path).send(delivery())
    assert "5550100001" not in str(caught.value)


@pytest.mark.parametrize(
    "spec",
    ["console:loud", "file", "file:", "recording:x", "sms_http", "voice_http", "sms_modem", "webhook", "apprise:x",
     "email"],
)  # fmt: skip
def test_a_wrong_argument_says_what_is_valid(spec):
    """A setting that can't work is refused before anything is to be sent."""
    with pytest.raises(SettingsError, match=spec.split(":")[0]):
        open_channel(spec)


def test_an_unknown_channel_lists_those_that_there_are():
    """The error is of use."""
    with pytest.raises(NotFoundError, match=r"console, .*file, .*recording"):
        open_channel("pigeon")


def test_the_console_prints_the_message_as_it_would_arrive(capsys):
    """Whom it goes to, and the text unchanged, on standard output as it is at that moment."""
    open_channel("console").send(delivery())
    assert capsys.readouterr().out == (
        "To robin, 2026-03-02 18:00Z\n  Skid 1 tansy-4 MED: filter-a backwash. Answer 4821\n"
    )


def test_the_file_has_one_whole_delivery_a_line(tmp_path):
    """Letters outside ASCII and newlines stay inside the line; what was there before stays."""
    path = tmp_path / "out.jsonl"
    sent = [delivery("one"), delivery("two\nlines, ΔP"), delivery("three")]
    for one in sent:
        open_channel(f"file:{path}").send(one)
    assert [Delivery.model_validate_json(line) for line in path.read_bytes().splitlines()] == sent


def test_a_line_that_a_crash_cut_short_spoils_no_other(tmp_path):
    """The next message begins on a line of its own."""
    path = tmp_path / "out.jsonl"
    path.write_bytes(b'{"half')
    FileChannel(path).send(delivery("whole"))
    assert json.loads(path.read_bytes().splitlines()[1])["text"] == "whole"


def test_a_recording_channel_keeps_what_it_was_given():
    """In order, whole."""
    channel = open_channel("recording")
    sent = [delivery("one"), delivery("two")]
    for one in sent:
        channel.send(one)
    assert channel.sent == sent
    assert channel.texts == ["one", "two"]
