"""Seals of links: RFC 2104 and RFC 4231 through Python's hmac; here, that none but ours is opened."""

from __future__ import annotations

import subprocess
from uuid import UUID

import pytest

from alerts.inbound import links

SECRET = "a long secret of this test"
DELIVERY = UUID("6f0c9d2a-6f0e-4b57-9a64-2f0d6c1b7e11")


@pytest.mark.parametrize("verb", links.OFFERED)
def test_a_link_is_opened_by_its_secret_alone(verb):
    """Ours is; with another secret, another verb or one letter changed it is not."""
    token = links.token(SECRET, DELIVERY, verb)
    assert links.opened(SECRET, token) == (DELIVERY, verb)
    assert links.opened("another secret of this test", token) is None
    other = next(one for one in links.OFFERED if one != verb)
    assert links.opened(SECRET, token.replace(f".{verb}.", f".{other}.")) is None
    swapped = token[:-1] + ("A" if token[-1] != "A" else "B")
    assert links.opened(SECRET, swapped) is None


@pytest.mark.parametrize(
    "token", ["", ".", "..", "x.done.y", f"{DELIVERY.hex}.done.", f"{DELIVERY.hex}.work.x", "é.done.é"]
)
def test_what_is_no_link(token):
    """Nothing that stands in an address breaks it."""
    assert links.opened(SECRET, token) is None


def test_the_seal_is_an_hmac_as_openssl_makes_it():
    """The first 128 bits of HMAC-SHA-256 over message and verb, as another program computes it."""
    made = subprocess.run(
        ["openssl", "dgst", "-sha256", "-hmac", SECRET, "-binary"],
        input=f"{DELIVERY.hex}.done".encode(), capture_output=True, check=True,
    ).stdout[:16]  # fmt: skip
    import base64

    assert links.token(SECRET, DELIVERY, "done").endswith("." + base64.urlsafe_b64encode(made).decode().rstrip("="))
