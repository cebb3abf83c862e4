"""E-mail over SMTP: the message, its evidence in figures and as a picture, and links that answer once."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import ClassVar, Final, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from alerts.channels.base import Address, Part
from alerts.channels.described import Described, described
from alerts.channels.private import masked, masked_address, secret
from alerts.inbound import links
from alerts.wording import figure
from alerts.words import words_in
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from skidhand.model.finding import Finding
from skidhand.model.prompt import Delivery, Enclosed
from skidhand.plotting import evidence_png
from skidhand.units import label

NAME: Final = "email"
SECRET: Final = "SKIDHAND_EMAIL_SECRET"
LOCAL: Final = frozenset({"localhost", "127.0.0.1", "::1"})
PICTURES: Final = 3
"""Findings of one prompt that are drawn; the root comes first."""

SUBJECT: Final = 120


class Mail(Described):
    """The mail server's file."""

    host: str = Field(min_length=1, description="name of the mail server, as in its certificate")
    port: int = Field(587, ge=1, le=65535, description="587 with starttls and 465 with tls are usual")
    security: Literal["tls", "starttls", "none"] = Field("starttls", description="none: for this host only")
    ca: Path | None = Field(None, description="PEM file of certificates to trust; none: the system's")
    username: str | None = Field(None, description="to log in; its password is the secret")
    sender: str = Field(pattern=r"^[^@\s]+@[^@\s]+$", description="the From address")
    links: str | None = Field(
        None, pattern=r"^https?://[^\s?#]+$", description="where people reach the listener; none: no links"
    )
    timeout: float = Field(10.0, gt=0, le=60, description="seconds for each step of the conversation")

    @model_validator(mode="after")
    def _private(self) -> Mail:
        if self.security == "none" and self.host not in LOCAL:
            raise ValueError(f"security 'none' is for {', '.join(sorted(LOCAL))} only; use 'starttls' or 'tls'")
        return self


class EmailChannel:
    """One conversation with the server for each message; a certificate that does not fit ends it."""

    name = NAME
    address: ClassVar[Address] = "email"
    part: ClassVar[Part] = "copy"
    encloses: ClassVar[bool] = True

    def __init__(self, mail: Mail, password: str = "", link_secret: str = "") -> None:
        self._mail = mail
        self._password = password
        self._link_secret = link_secret
        try:
            self._tls = ssl.create_default_context(cafile=mail.ca)
        except OSError as error:
            raise SettingsError(f"channel 'email': ca: cannot read {mail.ca}: {error}") from error

    @classmethod
    def open(cls, argument: str) -> Self:
        """``email:email.toml``."""
        mail = described(NAME, argument, Mail)
        password = secret(SECRET) if mail.username else ""
        if mail.username and not password:
            raise SettingsError(f"channel 'email': {argument} has a username; set {SECRET} or {SECRET}_FILE")
        link_secret = secret(links.SECRET) if mail.links else ""
        if mail.links and len(link_secret) < links.SHORTEST_SECRET:
            raise SettingsError(
                f"channel 'email': {argument} has links; set {links.SECRET} or {links.SECRET}_FILE, "
                f"of at least {links.SHORTEST_SECRET} characters"
            )
        return cls(mail, password, link_secret)

    @property
    def sender(self) -> str:
        """The From address."""
        return self._mail.sender

    def send(self, delivery: Delivery) -> None:
        """Hand over to the server; a refusal with a 5xx code is for good (RFC 5321), all else may pass."""
        self.hand_over(self.message(delivery), delivery.address)

    def hand_over(self, mail: EmailMessage, address: str) -> None:
        """Give a whole message for ``address`` to the server; errors as of :meth:`send`."""
        try:
            with self._conversation() as server:
                if self._mail.username:
                    server.login(self._mail.username, self._password)
                server.send_message(mail)
        except smtplib.SMTPRecipientsRefused as error:
            code, told = next(iter(error.recipients.values()))
            raise self._error(address, code, told) from error
        except smtplib.SMTPResponseException as error:
            raise self._error(address, error.smtp_code, error.smtp_error) from error
        except (OSError, smtplib.SMTPException, ValueError) as error:  # an address that is none is a ValueError
            raise self._error(address, 0, f"{error.__class__.__name__}: {error}") from error

    def message(self, delivery: Delivery) -> EmailMessage:
        """The e-mail of one delivery. A repeat has the same id, so that mail programs may show it once."""
        mail = EmailMessage()
        mail["Subject"] = " ".join(delivery.text.split(". ")[0].split())[:SUBJECT]
        mail["From"] = self._mail.sender
        mail["To"] = delivery.address
        mail["Message-ID"] = f"<{delivery.id}@{self._mail.sender.rpartition('@')[2]}>"
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office note comes back
        mail.set_content("\n\n".join(self._paragraphs(delivery)))
        for number, finding in enumerate(_findings(delivery.enclosed)[:PICTURES], 1):
            picture = evidence_png(finding, ZoneInfo(delivery.enclosed.timezone if delivery.enclosed else "UTC"))
            mail.add_attachment(picture, maintype="image", subtype="png", filename=f"evidence-{number}.png")
        return mail

    def _paragraphs(self, delivery: Delivery) -> Iterator[str]:
        words = words_in(delivery.enclosed.language if delivery.enclosed else "en")
        yield delivery.text
        for finding in _findings(delivery.enclosed):
            lines = [f"{words.page['numbers']}: {finding.unit} {finding.kind}, {finding.confidence * 100:.0f} %"]
            lines += [
                f"  {n.name.replace('_', ' ')} {figure(n.value)} {label(n.unit)}" for n in finding.evidence.numbers
            ]
            lines += [f"  {words.page['ruled_out']} {one.what}: {one.why}" for one in finding.ruled_out]
            yield "\n".join(lines)
        if self._mail.links and delivery.purpose != "summary":
            offered = links.addresses(self._link_secret, self._mail.links, delivery.id)
            yield "\n".join([words.page["links"], *(f"{words.verbs[verb][0]}: {where}" for verb, where in offered)])

    def _conversation(self) -> smtplib.SMTP:
        mail = self._mail
        if mail.security == "tls":
            return smtplib.SMTP_SSL(mail.host, mail.port, timeout=mail.timeout, context=self._tls)
        server = smtplib.SMTP(mail.host, mail.port, timeout=mail.timeout)
        if mail.security == "starttls":
            try:
                server.starttls(context=self._tls)
            except BaseException:
                server.close()
                raise
        return server

    def _error(self, address: str, code: int, told: bytes | str) -> ChannelError:
        text = told.decode(errors="replace") if isinstance(told, bytes) else told
        why = masked(f"{code} {text}" if code else text, self._password).replace(address, "the address")
        kind = ChannelRefusedError if code >= 500 else ChannelError
        return kind(f"email: to {masked_address(address)}: {why}")


def _findings(enclosed: Enclosed | None) -> tuple[Finding, ...]:
    return enclosed.findings if enclosed else ()


PLUGIN = EmailChannel
