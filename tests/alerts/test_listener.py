"""The listener over HTTP: who is let in, what looking does, what confirming does, and what goes back."""

from __future__ import annotations

import socket

import httpx
import pytest

from alerts.channels.recording import RecordingChannel
from alerts.inbound import links
from alerts.inbound.server import Listening, address_of
from skidhand.errors import OutsideError, SettingsError
from tests.alerts.helpers import dp_rise
from tests.alerts.listening import KEY, LINKS, listening_scene, until

ROBIN = "+15550100001"


class Texts(RecordingChannel):
    """Gives each message its own id as the reference, as a gateway with receipts does."""

    name = "texts"
    address = "phone"

    def send(self, delivery):
        """Keep it, and name it."""
        super().send(delivery)
        return str(delivery.id)


@pytest.fixture
def running(tmp_path, monkeypatch):
    """Scene, prompt and a client of the listener."""
    with listening_scene(tmp_path, monkeypatch, Texts()) as (scene, listening):
        scene.analyser.commit(dp_rise())
        prompts = until(lambda: scene.logbook.prompts.told("robin"))
        assert len(prompts) == 1
        with httpx.Client(base_url=f"http://127.0.0.1:{listening.port}", trust_env=False) as client:
            yield scene, prompts[0], client, listening


def test_a_text_goes_in_and_its_verdict_comes_back(running):
    """The reply says what alerts made of it; a form, a JSON body and a gateway's own names do as well."""
    scene, prompt, client, _ = running
    given = {"from": ROBIN, "text": f"2 {prompt.code}", "id": "1", "key": KEY}
    assert client.get("/sms", params=given).text == f"{prompt.code} mine: noted."
    assert scene.logbook.prompts.get(prompt.id).taken_by == "robin"
    form = {"from": ROBIN, "text": f"3 {prompt.code} washed", "id": "2", "key": KEY}
    assert "closes when the readings agree" in client.post("/sms", data=form).text
    own = {"From": ROBIN, "Body": f"4 {prompt.code}", "Sid": "3"}
    answer = client.post(f"/sms?from-is=From&text-is=Body&id-is=Sid&key={KEY}", json=own)
    assert answer.text == f"{prompt.code} false: noted."
    assert scene.logbook.prompts.get(prompt.id).state == "cleared"
    assert "not taken: prompt" in client.get("/sms", params=given | {"id": "4"}).text


def test_without_the_key_nothing_is_taken(running):
    """No key, a wrong one: 403, nothing written, counted; nobody learns whether the number is known."""
    scene, prompt, client, listening = running
    given = {"from": ROBIN, "text": f"2 {prompt.code}"}
    for key in ({}, {"key": ""}, {"key": KEY[:-1]}):
        assert client.get("/sms", params=given | key).status_code == 403
        assert client.get("/receipt", params={"reference": "x", "status": "1"} | key).status_code == 403
    assert scene.logbook.answers.to(prompt.code) == []
    assert listening.desk.counts == {"wrong-key": 6}


def test_looking_at_a_link_changes_nothing_and_confirming_does_once(running):
    """A mail scanner that opens every link answers nothing; the button does; a second press is told."""
    scene, prompt, client, _ = running
    (sent,) = scene.logbook.prompts.deliveries(prompt.id)
    paths = [f"/answer/{links.token(LINKS, sent.id, verb)}" for verb in links.OFFERED]
    for path in paths * 2:
        page = client.get(path)
        assert (page.status_code, sent.text in page.text) == (200, True)
        assert client.head(path).status_code == 405
    assert scene.logbook.answers.to(prompt.code) == []
    done = next(path for path in paths if ".done." in path)
    assert "noted" in client.post(done, data={"remark": "washed <b>"}).text
    (answer,) = scene.logbook.answers.to(prompt.code)
    assert (answer.verb, answer.text, answer.who, answer.state) == ("done", "washed <b>", "robin", "accepted")
    assert [client.post(done).status_code, client.get(done).status_code] == [410, 410]
    assert len(scene.logbook.answers.to(prompt.code)) == 1


def test_a_link_that_is_none_of_ours_is_not_found(running):
    """A forged seal, a message that does not exist, nonsense; after a minute's share even the right one is not."""
    scene, prompt, client, _ = running
    (sent,) = scene.logbook.prompts.deliveries(prompt.id)
    right = links.token(LINKS, sent.id, "done")
    for wrong in (right[:-3] + "AAA", links.token(LINKS, prompt.id, "done"), "x", "%00"):
        assert client.post(f"/answer/{wrong}").status_code == 404
    assert client.get(f"/answer/{right}").status_code == 200
    for _ in range(60):
        client.get("/answer/x")
    assert client.get(f"/answer/{right}").status_code == 404
    assert scene.logbook.answers.to(prompt.code) == []


@pytest.mark.parametrize(
    ("status", "receipt", "state"),
    [("1", "delivered", "sent"), ("Delivered", "delivered", "sent"), ("8", None, "sent"), ("16", "undelivered", None)],
)
def test_a_receipt_is_noted(running, status, receipt, state):
    """Delivered, not delivered, or still on its way; what did not arrive is handed over."""
    scene, prompt, client, _ = running
    (sent,) = scene.logbook.prompts.deliveries(prompt.id)
    given = {"channel": "texts", "reference": str(sent.id), "status": status, "key": KEY}
    assert client.get("/receipt", params=given).status_code == 200
    found = scene.logbook.prompts.delivery(sent.id)
    assert found.receipt == receipt
    assert state is None or found.state == state
    if receipt == "undelivered":
        assert until(lambda: scene.logbook.prompts.told("sasha"))


def test_a_receipt_of_no_message_is_not_found(running):
    """It is counted, and the gateway is told."""
    _, _, client, listening = running
    given = {"channel": "texts", "reference": "", "status": "1", "key": KEY}
    assert client.get("/receipt", params=given).status_code == 404
    assert listening.desk.counts["unknown-receipt"] == 1


def test_the_listener_says_in_the_logbook_that_it_lives(running):
    """One heartbeat, with what was refused and what was taken."""
    scene, prompt, client, listening = running
    client.get("/sms", params={"from": ROBIN, "text": f"2 {prompt.code}", "key": KEY})
    client.get("/sms", params={"from": "+15550109876", "text": "2", "key": KEY})
    listening.beat()
    (beat,) = [one for one in scene.logbook.heartbeats.all() if one.service == "listener"]
    assert (beat.refusals, beat.figures["taken"]) == ({"unknown-sender": 1}, 1.0)


def test_it_does_not_start_without_a_secret_or_on_a_taken_port(tmp_path, monkeypatch):
    """Nothing would ever be taken; and a port that somebody has is told at once, not found out at night."""
    monkeypatch.delenv("SKIDHAND_LISTEN_SECRET", raising=False)
    monkeypatch.delenv("SKIDHAND_LINKS_SECRET", raising=False)
    with pytest.raises(SettingsError, match="SKIDHAND_LISTEN_SECRET, SKIDHAND_LINKS_SECRET or both"):
        Listening("127.0.0.1:0", None, None, "test")
    monkeypatch.setenv("SKIDHAND_LINKS_SECRET", "short")
    with pytest.raises(SettingsError, match="at least 16"):
        Listening("127.0.0.1:0", None, None, "test")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OutsideError, match="cannot listen"), listening_scene(tmp_path, monkeypatch, port=port):
            pass


@pytest.mark.parametrize(
    ("text", "address"),
    [("127.0.0.1:8090", ("127.0.0.1", 8090)), (":8090", ("127.0.0.1", 8090)), ("[::1]:0", ("::1", 0))],
)
def test_addresses(text, address):
    """Without a host it is this host only."""
    assert address_of(text) == address


@pytest.mark.parametrize("text", ["8090:", "localhost", "host:99999", "host:x"])
def test_addresses_that_are_none(text):
    """The error shows a right one."""
    with pytest.raises(SettingsError, match=r"127\.0\.0\.1:8090"):
        address_of(text)
