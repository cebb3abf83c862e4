"""Questions about messages that flood control asks, over the connection of one transaction of alerts."""

from __future__ import annotations

from collections import Counter
from datetime import datetime

from sqlalchemy import Connection, func, select, update

from skidhand.logbook.tables import deliveries, prompts
from skidhand.model.prompt import Delivery, Prompt

RECENT = 50


def sent_since(connection: Connection, moment: datetime) -> Counter[tuple[str, str]]:
    """How many messages left after ``moment``, by (person, channel)."""
    query = select(deliveries.c.person, deliveries.c.channel, func.count().label("n"))
    query = query.where(deliveries.c.sent > moment, deliveries.c.state == "sent")
    rows = connection.execute(query.group_by(deliveries.c.person, deliveries.c.channel)).all()
    return Counter({(row.person, row.channel): row.n for row in rows})


def untold(connection: Connection, person: str, channel: str) -> list[Prompt]:
    """Prompts whose message to ``person`` was kept back in a flood, and that no summary has told of yet."""
    query = select(prompts.c.doc).join(deliveries, deliveries.c.prompt == prompts.c.id)
    rows = connection.execute(query.where(*_kept(person, channel))).scalars()
    return list({one.id: one for one in map(Prompt.model_validate, rows)}.values())


def summarised(connection: Connection, person: str, channel: str, at: datetime) -> None:
    """A summary told ``person`` at ``at`` of all that was kept back."""
    connection.execute(update(deliveries).where(*_kept(person, channel)).values(sent=at))


def last_summary(connection: Connection, person: str, channel: str) -> datetime | None:
    """When ``person`` was last sent a summary, as far as the latest messages tell."""
    query = select(deliveries.c.doc).where(deliveries.c.person == person, deliveries.c.channel == channel)
    query = query.where(deliveries.c.state == "sent").order_by(deliveries.c.sent.desc()).limit(RECENT)
    recent = map(Delivery.model_validate, connection.execute(query).scalars())
    return next((one.sent for one in recent if one.purpose == "summary"), None)


def _kept(person: str, channel: str) -> tuple:  # type: ignore[type-arg]
    mine = (deliveries.c.person == person, deliveries.c.channel == channel)
    return (*mine, deliveries.c.state == "summarised", deliveries.c.sent.is_(None))
