"""The small web application that takes answers and receipts.

- ``/sms``: a text that somebody sent, as a gateway brings it (from, text, id). What is answered goes back to them.
- ``/receipt``: what became of a message (channel, reference, status).
- ``/answer/TOKEN``: the page behind an e-mail's link. Looking changes nothing; confirming does.

The first two are for gateways only, and take the listener's secret as ``key``. A gateway that has names of its own
is told so in the address that it is given: ``/sms?from-is=sender&text-is=body&id-is=sid&key=...``.
"""

from __future__ import annotations

import hmac
import json
import threading
from collections.abc import Mapping
from typing import Annotated, Final

import structlog
from fastapi import Depends, FastAPI, Form, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse

from alerts.inbound import links
from alerts.inbound.desk import Desk
from alerts.inbound.limits import Limit
from alerts.inbound.page import answer_page, note_page
from alerts.words import words_in
from skidhand.clock import monotonic
from skidhand.errors import OutsideError
from skidhand.logbook import Logbook

LONGEST_BODY: Final = 16_384
STRANGERS: Final = (60, 60.0)
"""Wrong keys and links of one address in a minute, before it is not looked at any more (common practice, no source)."""

DELIVERED: Final = frozenset({"1", "delivered", "answered", "completed", "read"})
FAILED: Final = frozenset(
    {"2", "16", "undelivered", "failed", "rejected", "expired", "undeliverable", "busy", "no-answer", "canceled"}
)
"""What gateways call it: kannel's numbers (its user guide, delivery reports) and the usual words. All else is on its
way, and changes nothing."""

PATIENCE_S: Final = 2.0
"""How long a receipt waits for its message to be written down as sent: a fast gateway brings it before that."""

_HEADERS: Final = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",  # the address is the key
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'",
    "X-Frame-Options": "DENY",
}

log = structlog.get_logger(__name__)


async def _given(request: Request) -> dict[str, str]:
    """What the gateway says, from the address and from a form or a JSON object in the body."""
    given = dict(request.query_params)
    if int(request.headers.get("content-length") or 0) > LONGEST_BODY:
        return given
    if request.headers.get("content-type", "").startswith("application/json"):
        try:
            body = json.loads(await request.body())
        except ValueError:
            body = None
        return given | {k: str(v) for k, v in (body.items() if isinstance(body, dict) else ())}
    return given | {name: value for name, value in (await request.form()).items() if isinstance(value, str)}


Given = Annotated[dict[str, str], Depends(_given)]


def _field(given: Mapping[str, str], name: str) -> str:
    """A field under our name for it, or under the one that the address says."""
    return given.get(given.get(f"{name}-is", name), "").strip()


def app(logbook: Logbook, desk: Desk, *, key: str, link_secret: str) -> FastAPI:
    """The application. Without ``key`` nothing is taken from gateways, without ``link_secret`` no link counts."""
    web = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    strangers = Limit(*STRANGERS, monotonic)

    def admitted(request: Request, given: Mapping[str, str]) -> bool:
        """True when the gateway knows the key; who does not is counted, and soon not looked at."""
        address = request.client.host if request.client else ""
        if strangers.reached(address):
            return False
        if key and hmac.compare_digest(given.get("key", "").encode(), key.encode()):
            return True
        strangers.count(address)
        desk.counts["wrong-key"] += 1
        return False

    def sms(request: Request, given: Given) -> Response:
        if not admitted(request, given):
            return PlainTextResponse("", 403)
        taken = desk.text(_field(given, "from"), _field(given, "text"), "sms", _field(given, "id") or None)
        return PlainTextResponse(taken.reply)

    def receipt(request: Request, given: Given) -> Response:
        if not admitted(request, given):
            return PlainTextResponse("", 403)
        status = _field(given, "status").lower()
        if status not in DELIVERED | FAILED:
            return PlainTextResponse("")
        known = _noted(logbook, _field(given, "channel"), _field(given, "reference"), delivered=status in DELIVERED)
        desk.counts["receipts" if known else "unknown-receipt"] += 1
        return PlainTextResponse("", 200 if known else 404)

    def behind(request: Request, token: str, remark: str | None) -> Response:
        address = request.client.host if request.client else ""
        link = None if not link_secret or strangers.reached(address) else links.opened(link_secret, token)
        delivery, prompt, person = desk.behind(link) if link else (None, None, None)
        language = person.language if person else "en"
        words = words_in(language)
        if link is None or delivery is None or prompt is None or person is None:
            strangers.count(address)
            desk.counts["unknown-link"] += 1
            return HTMLResponse(note_page(words, language, words.page["unknown"]), 404, _HEADERS)
        if not desk.usable(link):
            desk.counts["replayed"] += 1
            return HTMLResponse(note_page(words, language, words.page["used"]), 410, _HEADERS)
        if remark is None:
            return HTMLResponse(answer_page(words, language, link.verb, delivery.text), 200, _HEADERS)
        taken = desk.link(link, remark)
        said = note_page(words, language, taken.reply or words.page["noted"])
        return HTMLResponse(said, 200 if taken.refused is None else 409, _HEADERS)

    def look(request: Request, token: str) -> Response:
        return behind(request, token, None)

    def confirm(request: Request, token: str, remark: Annotated[str, Form()] = "") -> Response:
        return behind(request, token, remark)

    web.add_api_route("/sms", sms, methods=["GET", "POST"], response_class=PlainTextResponse)
    web.add_api_route("/receipt", receipt, methods=["GET", "POST"])
    web.add_api_route("/answer/{token}", look, methods=["GET"])
    web.add_api_route("/answer/{token}", confirm, methods=["POST"])
    web.add_api_route("/health", lambda: PlainTextResponse("ok"), methods=["GET"])
    web.add_exception_handler(OutsideError, _away)
    return web


async def _away(_: Request, error: Exception) -> Response:
    """The logbook is away: the gateway must bring it again."""
    log.error("an answer could not be written down", why=str(error))
    return PlainTextResponse("", 503)


def _noted(logbook: Logbook, channel: str, reference: str, *, delivered: bool) -> bool:
    end, pause = monotonic() + PATIENCE_S, threading.Event()
    while not (known := logbook.prompts.receipt(channel, reference, delivered=delivered)):
        if not reference or monotonic() > end:
            return False
        pause.wait(0.1)
    return known
