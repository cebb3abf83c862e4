"""How to reach the broker, and the MQTT client that follows from it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from skidhand.errors import SettingsError

FORTNIGHT_S = 14 * 86_400


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Where the broker is and how ingest speaks with it.

    ``protocol``: MQTT "5", or "3.1.1" for brokers that have no 5. ``group``: a shared subscription group,
    for several ingest workers; needs MQTT 5. ``client_id``: None ties it to the spool, which is right.
    ``receive_maximum``: messages that may be on the way and not yet on our disk; a 3.1.1 broker has a
    limit of its own for that. ``session_expiry_s``: how long the broker keeps messages for us while we
    are away.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None  # our own certificate, and its private key
    key_file: Path | None = None
    group: str | None = None
    client_id: str | None = None
    receive_maximum: int = 1000
    session_expiry_s: int = FORTNIGHT_S
    keepalive_s: int = 30

    def __post_init__(self) -> None:
        if self.protocol not in ("5", "3.1.1"):
            raise SettingsError(f"broker protocol {self.protocol!r} is unknown; valid: '5', '3.1.1'")
        if self.group is not None and self.protocol != "5":
            raise SettingsError("a shared subscription group needs MQTT 5; set protocol '5' or leave the group out")
        if self.group is not None and (not self.group or set(self.group) & set("/+#")):
            raise SettingsError(f"group {self.group!r} must be a name without '/', '+' and '#'")
        if self.key_file is not None and self.cert_file is None:
            raise SettingsError(f"key_file {self.key_file} belongs to a certificate; give cert_file too")
        if not 0 < self.receive_maximum <= 65_535:
            raise SettingsError(f"receive_maximum {self.receive_maximum} must be from 1 to 65535")


def make_client(
    settings: BrokerSettings, client_id: str, kind: type[mqtt.Client] = mqtt.Client, *, clean: bool = False
) -> mqtt.Client:
    """A client that acknowledges only when told to and whose session outlives it (``clean``: MQTT 3.1.1, it ends).

    Not connected yet. Raises SettingsError when a certificate's or key's file cannot be read.
    """
    five = settings.protocol == "5"
    client = kind(
        CallbackAPIVersion.VERSION2,
        client_id,
        protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        clean_session=None if five else clean,
        manual_ack=True,
    )
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    files = (settings.ca_file, settings.cert_file, settings.key_file)
    if settings.tls or any(files):
        try:
            ca, cert, key = (None if file is None else str(file) for file in files)
            client.tls_set(ca, cert, key)
        except (OSError, ValueError) as error:
            shown = ", ".join(str(file) for file in files if file is not None)
            raise SettingsError(f"broker certificates ({shown or 'the system'}): {error}") from error
    arguments: dict[str, object] = {}
    if five:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = settings.session_expiry_s
        properties.ReceiveMaximum = settings.receive_maximum
        arguments = {"clean_start": False, "properties": properties}
    client.connect_async(settings.host, settings.port, settings.keepalive_s, **arguments)  # type: ignore[arg-type]
    return client
