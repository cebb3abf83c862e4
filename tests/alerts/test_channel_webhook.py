"""The webhook's signature as another program makes it; what the body tells and what not; apprise and its secrets."""

from __future__ import annotations

import json
import subprocess
from datetime import timedelta

import pytest

from alerts.channels import open_channel
from alerts.channels.webhook import Hook, WebhookChannel
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from tests.alerts.helpers import NOON
from tests.alerts.test_channels import delivery
from tests.support.web import keeping_server

KEY = "a long secret of this test"


@pytest.fixture
def server(monkeypatch):
    """A receiver that takes everything until it is told otherwise."""
    monkeypatch.setenv("NO_PROXY", "*")
    with keeping_server() as running:
        yield running


def hook(server):
    """A webhook to it, at a fixed time."""
    return WebhookChannel(Hook(url=server.url), KEY, lambda: NOON + timedelta(seconds=1))


def test_the_signature_is_an_hmac_as_openssl_makes_it(server):
    """HMAC-SHA-256 over timestamp, dot and body, computed by another program over what arrived."""
    one = delivery("ΔP 8.1, ñ")
    hook(server).send(one)
    (asked,) = server.asked
    stamp = asked.headers["Skidhand-Timestamp"]
    assert stamp == str(int(NOON.timestamp()) + 1)
    made = subprocess.run(
        ["openssl", "dgst", "-sha256", "-hmac", KEY],
        input=f"{stamp}.".encode() + asked.body, capture_output=True, check=True,
    ).stdout.split()[-1].decode()  # fmt: skip
    assert asked.headers["Skidhand-Signature"] == f"v1={made}"
    told = json.loads(asked.body)
    assert (told["v"], told["delivery"]["text"], told["delivery"]["person"]) == (1, "ΔP 8.1, ñ", "robin")
    assert "+15550100001" not in asked.body.decode()


@pytest.mark.parametrize(
    ("status", "error"), [(500, ChannelError), (429, ChannelError), (302, ChannelError), (410, ChannelRefusedError)]
)
def test_what_is_not_taken(server, status, error):
    """4xx is for good but for what speaks of the moment; all else may pass; a redirect is not followed."""
    server.answer = (status, "call +15550100001", {"Location": "http://127.0.0.1:1/"})
    with pytest.raises(ChannelError, match=f"the receiver answered {status}") as caught:
        hook(server).send(delivery())
    assert type(caught.value) is error
    assert "5550100" not in str(caught.value)


@pytest.mark.parametrize("url", ["http://elsewhere.example/x", "https://me:pw@host/", "ftp://host/", "https:///x"])
def test_an_address_that_would_tell_others(tmp_path, monkeypatch, url):
    """Not in the clear over a network, no password in the file."""
    monkeypatch.setenv("SKIDHAND_WEBHOOK_SECRET", KEY)
    (tmp_path / "webhook.toml").write_text(f'url = "{url}"', encoding="utf-8")
    with pytest.raises(SettingsError, match="must be https://host/path"):
        open_channel(f"webhook:{tmp_path / 'webhook.toml'}")


def test_a_webhook_wants_a_secret(tmp_path, monkeypatch):
    """Without one nobody could tell its messages from others."""
    monkeypatch.setenv("SKIDHAND_WEBHOOK_SECRET", "short")
    (tmp_path / "webhook.toml").write_text('url = "https://host/"', encoding="utf-8")
    with pytest.raises(SettingsError, match="SKIDHAND_WEBHOOK_SECRET_FILE, at least 16"):
        open_channel(f"webhook:{tmp_path / 'webhook.toml'}")


def test_apprise_tells_every_address(server, monkeypatch):
    """Two addresses, two messages with the whole text; when one does not take it, it is an error without a token."""
    own = server.url.replace("http://", "json://")
    monkeypatch.setenv("SKIDHAND_APPRISE_SECRET", f"{own}/one\n{own}/two\n")
    open_channel("apprise").send(delivery("a text"))
    assert sorted(asked.url.path for asked in server.asked) == ["/send/one", "/send/two"]
    assert {json.loads(asked.body)["message"] for asked in server.asked} == {"a text"}
    server.answer = (500, "", {})
    with pytest.raises(ChannelError, match="at least one of its addresses") as caught:
        open_channel("apprise").send(delivery())
    assert "127.0.0.1" not in str(caught.value)


@pytest.mark.parametrize(
    ("addresses", "told"), [("", "set SKIDHAND_APPRISE_SECRET"), ("json://x\nno://t0ken", "line 2")]
)
def test_apprise_addresses_that_are_none(monkeypatch, addresses, told):
    """The line is named, its token is not."""
    monkeypatch.setenv("SKIDHAND_APPRISE_SECRET", addresses)
    with pytest.raises(SettingsError, match=told) as caught:
        open_channel("apprise")
    assert "t0ken" not in str(caught.value)
