"""Reading ahead of paho, and reading messages in its place."""

from __future__ import annotations

import random
import socket

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.broker import BrokerSettings, make_client
from ingest.client import READ_AHEAD, Client, ReadAhead


def test_what_is_read_ahead_comes_whole_and_in_order():
    """Whatever sizes are asked for: no byte is lost or doubled, and pending tells what select would not."""
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    sizes, sent = random.Random(3), random.Random(4).randbytes(3 * READ_AHEAD)
    with ours, theirs:
        reader, got, at = ReadAhead(ours), b"", 0
        while len(got) < len(sent):
            if at < len(sent):
                at += theirs.send(sent[at : at + sizes.randrange(1, 2000)])
            before = reader.pending()
            piece = reader.recv(sizes.choice((1, 1, 2, 700, READ_AHEAD, 2 * READ_AHEAD)))
            assert piece
            got += piece
            assert not before or reader.pending() == before - len(piece)
        assert got == sent
        with pytest.raises(BlockingIOError):
            reader.recv(1)
        theirs.close()
        assert reader.recv(1) == b""  # the end
        assert reader.fileno() == ours.fileno()


def _heard(kind: type[mqtt.Client], protocol: str, flags: int, body: bytes) -> list[object]:
    """What the callback of a client of this kind is given for one PUBLISH packet, and how that ends."""
    client = make_client(BrokerSettings(protocol=protocol), "x", kind)
    heard = []
    client.on_message = lambda _client, _data, m: heard.append(
        (m.mid, m.topic, m.payload, m.qos, m.dup, m.retain, getattr(m.properties, "UserProperty", None))
    )
    client._in_packet["command"], client._in_packet["packet"] = 0x30 | flags, bytearray(body)
    try:
        rc = client._handle_publish()
    except Exception as error:  # noqa: BLE001 - a malformed packet; which error it is, is compared
        return [type(error)]
    return [*heard, (rc,)]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("payload", [b"", b"\x00", b"{}", b"\x00\x00\x07" * 500])
@pytest.mark.parametrize("flags", [0b0000, 0b0001, 0b0010, 0b1010, 0b0011], ids=bin)
def test_messages_are_read_as_paho_reads_them(protocol, payload, flags):
    """With and without properties, kept or sent again, QoS 0 and 1: the callback is given what paho's would be."""
    told = Properties(PacketTypes.PUBLISH)
    told.UserProperty = ("a", "b")
    topic, mid = "skidhand/tansy-1/tf-1/samples µ".encode(), b"\x12\x34" if flags & 6 else b""
    for properties in (b"\x00", told.pack()) if protocol == "5" else (b"",):
        body = len(topic).to_bytes(2, "big") + topic + mid + properties + payload
        ours, theirs = (_heard(kind, protocol, flags, body) for kind in (Client, mqtt.Client))
        assert ours == theirs
        assert ours[0][1:3] == (topic.decode(), payload)
        assert ours[1:] == [(mqtt.MQTT_ERR_SUCCESS,)]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_malformed_packets_are_refused_as_paho_refuses_them(protocol):
    """Cut off anywhere, with a topic or properties longer than the packet, an unknown property, or QoS 3: alike."""
    whole = b"\x00\x03a/b\x12\x34\x00{}"
    packets = [whole[:end] for end in range(len(whole))]
    packets += [
        b"\xff" + whole,
        whole[:7] + b"\x05\x26",
        whole[:7] + b"\xff" * 5,
        whole[:7] + b"\x02\x7f\x00",
        b"\x00\x00\x00",
    ]
    refused = 0
    for flags in range(16):
        for body in packets:
            ours, theirs = (_heard(kind, protocol, flags, body) for kind in (Client, mqtt.Client))
            assert ours == theirs, (flags, body)
            refused += isinstance(ours[0], type)
    assert refused > 50
