"""Both ways through a gateway that we did not make: Debian's kannel, and the fake message centre that comes with it.

The configuration is the one in docs/channels, with other ports and passwords; the channel's file is the example of
docs/channels.md.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from alerts.channels import open_channel
from skidhand.errors import ChannelRefusedError
from tests.alerts.helpers import dp_rise, finding
from tests.alerts.listening import listening_scene, until
from tests.alerts.test_channels import delivery
from tests.support.kannel import KEY, PASSWORD, kannel

ROBIN = "+15550100001"
DOCS = Path(__file__).parents[2] / "docs" / "channels.md"


@pytest.fixture(scope="module")
def gateway(tmp_path_factory):
    """One kannel for all tests of this file."""
    with kannel(tmp_path_factory.mktemp("kannel")) as running:
        yield running


@pytest.fixture
def channel(gateway, tmp_path, monkeypatch):
    """The documented channel, towards this kannel and the listener's port."""
    monkeypatch.setenv("NO_PROXY", "*")
    monkeypatch.setenv("SKIDHAND_SMS_HTTP_SECRET", PASSWORD)
    monkeypatch.setenv("SKIDHAND_LISTEN_SECRET", KEY)
    text = re.search(r"<!-- example: sms_http -->\n```toml\n(.*?)```", DOCS.read_text(encoding="utf-8"), re.DOTALL)[1]
    text = text.replace("http://127.0.0.1:13013/cgi-bin/sendsms", gateway.url)
    text = text.replace("127.0.0.1:8090", f"127.0.0.1:{gateway.listener}")
    path = tmp_path / "sms_http.toml"
    path.write_text(text, encoding="utf-8")
    return open_channel(f"sms_http:{path}")


def test_a_message_goes_through_letter_by_letter(gateway, channel):
    """Signs that an address, a shell or a form would change come out as they went in; a long one in two parts."""
    text = "Skid 1: dP 8.1 & rising +2 more? 50% {secret} #4 ñ Answer 4821"
    channel.send(delivery(text))
    (got,) = gateway.received("Skid 1: dP 8.1")
    assert got == f"15550109999 {ROBIN} text {text}"
    channel.send(delivery("long " + "x" * 170))
    assert until(lambda: len(gateway.received("xxx")) == 2)


def test_a_wrong_password_is_refused_for_good(gateway, channel, tmp_path, monkeypatch):
    """Kannel says 403: it is not tried again, and neither password nor number is told."""
    monkeypatch.setenv("SKIDHAND_SMS_HTTP_SECRET", "wrong-key")
    wrong = open_channel(f"sms_http:{tmp_path / 'sms_http.toml'}")
    with pytest.raises(ChannelRefusedError, match=r"^sms_http: to \+\*{8}001: the gateway answered 403") as caught:
        wrong.send(delivery())
    assert "wrong-key" not in str(caught.value)


def test_from_finding_to_phone_and_back(gateway, channel, tmp_path, monkeypatch):
    """The prompt arrives, its receipt is noted, the answer is a row that alerts accepts, and its verdict goes back."""
    with listening_scene(tmp_path, monkeypatch, channel, port=gateway.listener) as (scene, listening):
        scene.analyser.commit(dp_rise())
        (prompt,) = until(lambda: scene.logbook.prompts.told("robin"))
        (got,) = gateway.received(f"Answer {prompt.code}")
        (sent,) = scene.logbook.prompts.deliveries(prompt.id)
        assert got == f"15550109999 {ROBIN} text {sent.text}"
        assert until(lambda: scene.logbook.prompts.delivery(sent.id).receipt == "delivered")
        with gateway.phone(ROBIN, f"3 {prompt.code} filter washed, señor"):
            (reply,) = gateway.received(f"{prompt.code} done: noted.")
        assert reply.startswith(f"15550109999 {ROBIN} text ")
        (answer,) = scene.logbook.answers.to(prompt.code)
        assert (answer.who, answer.verb, answer.state) == ("robin", "done", "accepted")
        assert answer.text == "filter washed señor"
        assert scene.logbook.prompts.get(prompt.id).verdict == "done"
        assert listening.desk.counts == {"receipts": 1, "taken": 1}


def test_a_bare_digit_from_a_phone_and_a_stranger(gateway, channel, tmp_path, monkeypatch):
    """One digit is enough for the one open prompt; a number that is on no roster gets no reply and no row."""
    with listening_scene(tmp_path, monkeypatch, channel, port=gateway.listener) as (scene, listening):
        scene.analyser.commit(finding())
        (prompt,) = until(lambda: scene.logbook.prompts.told("robin"))
        with gateway.phone("+15550109876", f"3 {prompt.code}"):
            assert until(lambda: listening.desk.counts["unknown-sender"] == 1)
        assert scene.logbook.answers.to(prompt.code) == []
        with gateway.phone(ROBIN, "2"):
            assert until(lambda: scene.logbook.prompts.get(prompt.id).taken_by == "robin")
        assert not [one for one in gateway.received(f"{prompt.code} mine") if "9876" in one]
