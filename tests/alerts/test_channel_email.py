"""E-mail through a real SMTP server (aiosmtpd) that wants TLS and a password, and says no when it is told to."""

from __future__ import annotations

import email
import email.policy
import re
import ssl
import subprocess

import pytest
from aiosmtpd.smtp import AuthResult, LoginPassword

from alerts.channels import open_channel
from alerts.inbound import links
from skidhand.errors import ChannelError, ChannelRefusedError, SettingsError
from skidhand.model.finding import RuledOut
from skidhand.model.prompt import Enclosed
from tests.alerts.helpers import dp_rise
from tests.alerts.test_channels import delivery
from tests.support.mail import mail_server

# Its TLS is on from the first octet, which the library does not count as TLS.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
PASSWORD = "wren-5-stile"
LINKS = "a long secret of this test"


class Server:
    """What arrived, and whether the next one is refused: ``says`` is an SMTP reply."""

    def __init__(self):
        self.mails, self.says, self.users = [], "250 OK", []

    async def handle_DATA(self, _server, session, envelope):  # noqa: N802 (the library's names)
        """Keep a message, or refuse it."""
        if self.says.startswith("250"):
            self.mails.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
            self.users.append(session.auth_data.login.decode())
        return self.says


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate for localhost that signs itself."""
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-keyout", folder / "key.pem", "-out", folder / "cert.pem", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost"],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder


@pytest.fixture(params=["starttls", "tls"])
def server(request, certificate, monkeypatch, tmp_path):
    """A server on a free port, and the text of the file that describes it."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate / "cert.pem", certificate / "key.pem")

    def authenticated(_server, _session, _envelope, _mechanism, data):
        right = isinstance(data, LoginPassword) and (data.login, data.password) == (b"skidhand", PASSWORD.encode())
        return AuthResult(success=right, handled=False, auth_data=data)

    handler = Server()
    how = {"tls_context": context, "require_starttls": True} if request.param == "starttls" else {
        "ssl_context": context, "auth_require_tls": False}  # fmt: skip
    monkeypatch.setenv("SKIDHAND_EMAIL_SECRET", PASSWORD)
    monkeypatch.setenv("SKIDHAND_LINKS_SECRET", LINKS)
    with mail_server(handler, authenticator=authenticated, auth_required=True, **how) as port:
        handler.text = (
            f'host = "localhost"\nport = {port}\nsecurity = "{request.param}"\nca = "{certificate / "cert.pem"}"\n'
            'username = "skidhand"\nsender = "skidhand@tansyflat.example"\n'
            'links = "https://answers.tansyflat.example/"\n'
        )
        yield handler


def opened(folder, text):
    """The channel that a file of ``text`` gives."""
    path = folder / "email.toml"
    path.write_text(text, encoding="utf-8")
    return open_channel(f"email:{path}")


def mail_to_sasha(**changes):
    """A message with its finding enclosed."""
    head = dp_rise(ruled_out=(RuledOut(what="a flow step", why="flow is steady"),))
    enclosed = Enclosed(findings=(head,), timezone="America/Chicago", language=changes.pop("language", "en"))
    return delivery(
        "Skid 1 tansy-4 MED: filter-a backwash. Suggest wash per site procedure. Answer 4821",
        address="sasha@tansyflat.example", person="sasha", enclosed=enclosed, **changes,
    )  # fmt: skip


def test_a_message_arrives_with_picture_and_links(tmp_path, server):
    """Over TLS, logged in; text whole, figures and what was ruled out, a PNG, and one link a verb that opens ours."""
    one = mail_to_sasha()
    assert opened(tmp_path, server.text).send(one) is None
    (got,) = server.mails
    assert server.users == ["skidhand"]
    assert (got["To"], got["From"]) == ("sasha@tansyflat.example", "skidhand@tansyflat.example")
    assert got["Subject"] == "Skid 1 tansy-4 MED: filter-a backwash"
    body = got.get_body().get_content().replace("\r\n", "\n")
    for part in (one.text, "dp 8.1 psi", "dp limit 12 psi", "Not a flow step: flow is steady"):
        assert part in body
    tokens = re.findall(r"^(\w+): https://answers\.tansyflat\.example/answer/(\S+)$", body, re.MULTILINE)
    assert [word for word, _ in tokens] == ["seen", "mine", "done", "false", "wait", "pass"]
    assert [links.opened(LINKS, token) for _, token in tokens] == [(one.id, verb) for verb in links.OFFERED]
    (picture,) = got.iter_attachments()
    assert picture.get_content_type() == "image/png"
    assert picture.get_content().startswith(b"\x89PNG\r\n\x1a\n")


@pytest.mark.parametrize("server", ["starttls"], indirect=True)
def test_a_message_in_spanish_without_findings_or_links(tmp_path, server):
    """Words of the person's language; without ``links`` none are offered, a summary encloses nothing."""
    channel = opened(tmp_path, server.text.replace('links = "https://answers.tansyflat.example/"', ""))
    channel.send(mail_to_sasha(language="es"))
    channel.send(delivery("3 more prompts", address="sasha@tansyflat.example", purpose="summary"))
    spanish, summary = (got.get_body().get_content() for got in server.mails)
    assert "No es a flow step" in spanish
    assert "answer/" not in spanish + summary
    assert summary.strip() == "3 more prompts"


@pytest.mark.parametrize(
    ("says", "error"), [("451 try later", ChannelError), ("550 no such box +15550100001", ChannelRefusedError)]
)
def test_what_the_server_refuses(tmp_path, server, says, error):
    """4xx may pass, 5xx is for good (RFC 5321, 4.2.1); neither address, number nor password is told."""
    server.says = says
    with pytest.raises(ChannelError, match=rf"^email: to s\*\*\*@tansyflat\.example: {says[:3]} ") as caught:
        opened(tmp_path, server.text).send(mail_to_sasha())
    assert type(caught.value) is error
    assert "sasha@" not in str(caught.value)
    assert "5550100" not in str(caught.value)


@pytest.mark.parametrize("server", ["starttls"], indirect=True)
def test_a_wrong_password_or_certificate_hands_nothing_over(tmp_path, server, monkeypatch):
    """The first is for good, the second may be mended; a certificate that is not trusted sees no password."""
    monkeypatch.setenv("SKIDHAND_EMAIL_SECRET", "wrong-key")
    with pytest.raises(ChannelRefusedError, match="535") as caught:
        opened(tmp_path, server.text).send(mail_to_sasha())
    assert "wrong-key" not in str(caught.value)
    untrusted = re.sub(r"ca = .*\n", "", server.text)
    with pytest.raises(ChannelError, match="CERTIFICATE_VERIFY_FAILED"):
        opened(tmp_path, untrusted).send(mail_to_sasha())
    assert server.mails == []


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('host = "mail.example"\nsecurity = "none"\nsender = "a@b.example"', "security 'none' is for"),
        ('host = "localhost"\nsender = "nobody"', "sender"),
        ('host = "localhost"\nsender = "a@b.example"\ncolour = 1', "colour: .*there are host, port, security"),
        ('host = "localhost"\nsender = "a@b.example"\nusername = "u"', "set SKIDHAND_EMAIL_SECRET"),
        ('host = "localhost"\nsender = "a@b.example"\nlinks = "https://x.example"', "set SKIDHAND_LINKS_SECRET"),
        ('host = "localhost"\nsender = "a@b.example"\nca = "/no/such.pem"', "ca: cannot read"),
    ],
)
def test_a_wrong_file_says_what_is_wrong(tmp_path, monkeypatch, text, told):
    """Before anything is to be sent."""
    monkeypatch.delenv("SKIDHAND_EMAIL_SECRET", raising=False)
    monkeypatch.delenv("SKIDHAND_LINKS_SECRET", raising=False)
    with pytest.raises(SettingsError, match=told):
        opened(tmp_path, text)
