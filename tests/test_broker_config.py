"""The broker configuration that we ship, run by a real mosquitto.

The option names are those of the mosquitto.conf(5) manual page; mosquitto refuses unknown ones.
"""

from __future__ import annotations

import threading

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from tests.support.mosquitto import SHIPPED_CONFIG, Mosquitto, shipped_lines

pytestmark = pytest.mark.broker

MESSAGES = 200
DEFAULT_PERSISTENCE = ["persistence true", "max_queued_messages 10000"]


def test_shipped_lines_are_the_whole_configuration():
    """What the tests start differs from the shipped file in address, folder and log only."""
    shipped = {line for line in SHIPPED_CONFIG.read_text().splitlines() if line and line[0] != "#"}
    left_out = {line.split()[0] for line in shipped - set(shipped_lines())}
    assert left_out == {"listener", "allow_anonymous", "persistence_location", "log_dest"}


def test_shipped_configuration_keeps_what_it_acknowledged_over_a_kill(mosquitto_factory, unique_id):
    """Of messages sent one by one while ingest is away, kill -9 costs at most the one acknowledged last.

    mosquitto acknowledges first and saves at the end of the same loop turn: that is the stated window.
    """
    assert kept_over_a_kill(mosquitto_factory(shipped_lines()), unique_id) >= set(range(MESSAGES - 1))


def test_default_persistence_loses_what_it_acknowledged_over_a_kill(mosquitto_factory, unique_id):
    """Without the autosave lines the same kill loses everything: the reason why we ship them."""
    assert kept_over_a_kill(mosquitto_factory(DEFAULT_PERSISTENCE), unique_id) == set()


def kept_over_a_kill(server: Mosquitto, name: str) -> set[int]:
    """Publish to an absent subscriber with a lasting session, kill, restart; numbers that then arrive."""
    listener = connected(server, f"{name}-in", clean=False)
    assert listener.subscribe(f"{name}/#", qos=1)[0] == MQTTErrorCode.MQTT_ERR_SUCCESS
    wait_subscribed(listener)
    listener.disconnect()
    listener.loop_stop()

    publisher = connected(server, f"{name}-out", clean=True)
    for number in range(MESSAGES):
        publisher.publish(f"{name}/samples", str(number), qos=1).wait_for_publish(10)
    server.kill()
    publisher.loop_stop()
    server.start()
    return arriving(server, name)


def arriving(server: Mosquitto, name: str) -> set[int]:
    """Numbers that the broker has kept for the lasting session, ended by one message sent now."""
    got: set[int] = set()
    done = threading.Event()

    def on_message(_client, _data, message):
        if message.payload == b"end":
            done.set()
        else:
            got.add(int(message.payload))

    listener = connected(server, f"{name}-in", clean=False, on_message=on_message)
    # A broker that lost its database has also forgotten the subscription.
    listener.subscribe(f"{name}/#", qos=1)
    wait_subscribed(listener)
    publisher = connected(server, f"{name}-out", clean=True)
    publisher.publish(f"{name}/samples", "end", qos=1).wait_for_publish(10)
    assert done.wait(20), "the closing message did not arrive"
    for client in (listener, publisher):
        client.disconnect()
        client.loop_stop()
    return got


def connected(server: Mosquitto, client_id: str, *, clean: bool, on_message=None) -> mqtt.Client:
    """A paho client, connected, its loop running in a thread; userdata is set on each SUBACK."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=clean, userdata=threading.Event())
    up = threading.Event()
    client.on_connect = lambda *_: up.set()
    client.on_subscribe = lambda _client, subscribed, *_: subscribed.set()
    client.on_message = on_message
    client.connect(server.host, server.port)
    client.loop_start()
    assert up.wait(10), "no CONNACK"
    return client


def wait_subscribed(client: mqtt.Client) -> None:
    """Return once the broker has confirmed the subscription."""
    assert client.user_data_get().wait(10), "no SUBACK"
