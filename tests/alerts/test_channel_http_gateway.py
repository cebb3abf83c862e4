"""Text and voice gateways over HTTP, against a server that keeps what it is asked and can say no."""

from __future__ import annotations

import json
from urllib.parse import parse_qs

import pytest

from alerts.channels import open_channel
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from tests.alerts.test_channels import delivery
from tests.support.web import keeping_server

KEY = "s3cret&wren"


@pytest.fixture(autouse=True)
def _environment(monkeypatch):
    """The machine's own proxy is not under test; the secret is set."""
    monkeypatch.setenv("NO_PROXY", "*")
    monkeypatch.delenv("SKIDHAND_SMS_HTTP_SECRET_FILE", raising=False)
    monkeypatch.setenv("SKIDHAND_SMS_HTTP_SECRET", KEY)


@pytest.fixture
def server():
    """A gateway that says yes to all until it is told otherwise."""
    with keeping_server() as running:
        yield running


def opened(folder, text):
    """The channel that a file of ``text`` gives."""
    path = folder / "gateway.toml"
    path.write_text(text, encoding="utf-8")
    return open_channel(f"sms_http:{path}")


def form(url, more=""):
    """A gateway's file that uses every field."""
    return (
        f'url = "{url}"\n{more}\n[params]\nto = "{{to}}"\nn = "{{digits}}"\n'
        f'm = "{{text}}"\nid = "{{id}}"\nkey = "{{secret}}"\n'
    )


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_every_field_arrives_as_it_is(tmp_path, server, method):
    """In the URL or as a form; a message that looks like a field is left alone."""
    one = delivery("a&b=c {secret} ü\n+")
    opened(tmp_path, form(server.url, f'method = "{method}"')).send(one)
    (asked,) = server.asked
    assert asked.method == method
    assert asked.url.query == "" if method == "POST" else asked.body == b""
    assert parse_qs(asked.body.decode() or asked.url.query) == {
        "to": ["+15550100001"], "n": ["15550100001"], "m": [one.text], "id": [str(one.id)], "key": [KEY],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ((500, "no route to +15550100001 with s3cret&wren", {}), "500: no route to +********001 with ********"),
        ((400, "key=s3cret%26wren", {}), "400: key=********"),
        ((200, "ERR 7", {}), "200: ERR 7"),
        ((302, "", {"Location": "http://127.0.0.1:1/"}), "302"),
        ((429, "too many", {}), "429"),
    ],
)
def test_what_is_no_success_is_told_without_number_and_secret(tmp_path, server, answer, told):
    """Status or text says no, and a redirect is not followed: the postman tries again."""
    server.answer = answer
    with pytest.raises(ChannelError) as caught:
        opened(tmp_path, form(server.url, 'success_text = "^ok"')).send(delivery())
    assert str(caught.value).startswith(f"sms_http: to +********001: the gateway answered {told}")
    assert len(server.asked) == 1
    assert isinstance(caught.value, ChannelRefusedError) == (answer[0] == 400)  # the rest may be better later


def test_json_headers_and_the_gateways_own_number(tmp_path, server):
    """A gateway that takes JSON with a token, its recipient in the path, and names each message itself."""
    server.answer = (201, '{"sid": "SM77"}', {})
    text = f"""
url = "{server.url}/{{to}}"
method = "POST"
body = "json"
reference = '"sid": "([^"]+)"'
params = {{body = "{{text}}"}}
headers = {{Authorization = "Bearer {{secret}}"}}
"""
    assert opened(tmp_path, text).send(delivery("one")) == "SM77"
    (asked,) = server.asked
    assert asked.url.path == "/send/%2B15550100001"
    assert json.loads(asked.body) == {"body": "one"}
    assert asked.headers["Authorization"] == f"Bearer {KEY}"


def test_without_its_own_number_the_gateway_names_a_message_by_ours(tmp_path, server):
    """What a receipt brings back is the delivery's id, which the request carried."""
    one = delivery()
    assert opened(tmp_path, form(server.url)).send(one) == str(one.id)


def test_a_ring_is_a_gateway_of_its_own(tmp_path, server, monkeypatch):
    """The voice gateway has its own secret and its own sentence, and says that it rings."""
    monkeypatch.setenv("SKIDHAND_VOICE_HTTP_SECRET", "voice-key")
    path = tmp_path / "voice.toml"
    path.write_text(
        f'url = "{server.url}"\n[params]\nto = "{{to}}"\nsay = "Please read your texts."\nkey = "{{secret}}"\n',
        encoding="utf-8",
    )
    channel = open_channel(f"voice_http:{path}")
    channel.send(delivery())
    assert (channel.part, channel.address) == ("ring", "phone")
    assert parse_qs(server.asked[0].url.query)["key"] == ["voice-key"]


def test_a_gateway_that_is_away_is_a_channel_error(tmp_path):
    """Nothing listens: no other error escapes, and it tells neither number nor secret."""
    with pytest.raises(ChannelError, match=r"^sms_http: to \+\*{8}001: ConnectError") as caught:
        opened(tmp_path, form("http://127.0.0.1:1/")).send(delivery())
    assert KEY not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("url = 3", "url"),
        (form("http://me:pw@host/"), "url"),
        (form("http://host/?a=b"), "url"),
        (form("http://host/", "colour = 1"), "colour"),
        ('url = "http://host/"\n[params]\na = "{phone}"', r"\{phone\} is unknown; there are \{to\}"),
        (form("http://host/", "success = [302]"), "success"),
        (form("http://host/", "reference = 'id'"), "reference: .*exactly one group"),
        ("url = ", "cannot read"),
    ],
)
def test_a_wrong_file_says_what_is_wrong(tmp_path, text, told):
    """Before anything is to be sent."""
    with pytest.raises(SettingsError, match=told):
        opened(tmp_path, text)


def test_the_secret_comes_from_a_file_and_is_missed_where_there_is_none(tmp_path, monkeypatch, server):
    """A file's last newline is no part of it; without one the variable is named."""
    monkeypatch.delenv("SKIDHAND_SMS_HTTP_SECRET")
    with pytest.raises(SettingsError, match="set SKIDHAND_SMS_HTTP_SECRET or SKIDHAND_SMS_HTTP_SECRET_FILE"):
        opened(tmp_path, form(server.url))
    (tmp_path / "key").write_text("from-file\n", encoding="utf-8")
    monkeypatch.setenv("SKIDHAND_SMS_HTTP_SECRET_FILE", str(tmp_path / "key"))
    opened(tmp_path, form(server.url)).send(delivery())
    assert parse_qs(server.asked[0].url.query)["key"] == ["from-file"]
