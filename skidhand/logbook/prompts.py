"""Prompts with their transitions and deliveries, the answers to them, and logbook entries.

Everybody reads prompts here; only alerts opens :meth:`PromptBook.work`, so that all that follows from
one look at the inbox stands or falls together.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Final, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, Select, delete, func, insert, or_, select, update

from skidhand.logbook.database import Database
from skidhand.logbook.tables import (
    answers,
    deliveries,
    entries,
    findings,
    inbox,
    prompt_findings,
    prompts,
    transitions,
)
from skidhand.model.entry import Entry
from skidhand.model.finding import Finding
from skidhand.model.prompt import Answer, Delivery, Prompt, PromptState, Transition

CLEARED: Final[PromptState] = "cleared"
CODE_LENGTH: Final = 8


class PromptBook:
    """What the command line, the board and tests read; :meth:`work` is for alerts alone."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def open(self, skid: str | None = None) -> list[Prompt]:
        """Every prompt that is not cleared, oldest first."""
        query = _prompts().where(prompts.c.state != CLEARED)
        return self._many(query if skid is None else query.where(prompts.c.skid == skid))

    def all(self, *, skid: str | None = None, since: datetime | None = None) -> list[Prompt]:
        """Prompts in any state, oldest first; ``since`` looks at their last change."""
        query = _prompts()
        if skid is not None:
            query = query.where(prompts.c.skid == skid)
        if since is not None:
            query = query.where(prompts.c.updated >= since)
        return self._many(query)

    def get(self, prompt: UUID) -> Prompt | None:
        """The prompt of that id."""
        with self._db.read() as connection:
            return _one(connection, _prompts().where(prompts.c.id == str(prompt)))

    def by_code(self, code: str) -> Prompt | None:
        """The prompt that ``code`` answers: an open one first, else the one changed last."""
        with self._db.read() as connection:
            return _by_code(connection, code)

    def of_finding(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
        with self._db.read() as connection:
            return _of_finding(connection, finding)

    def history(self, prompt: UUID) -> list[Transition]:
        """Every change of state, first to last."""
        query = select(transitions.c.doc).where(transitions.c.prompt == str(prompt)).order_by(transitions.c.seq)
        with self._db.read() as connection:
            return [Transition.model_validate(doc) for doc in connection.execute(query).scalars()]

    def deliveries(self, prompt: UUID | None = None) -> list[Delivery]:
        """Messages of one prompt, or of all, in the order in which they were queued."""
        query = select(deliveries.c.doc).order_by(deliveries.c.queued, deliveries.c.id)
        if prompt is not None:
            query = query.where(deliveries.c.prompt == str(prompt))
        with self._db.read() as connection:
            return [Delivery.model_validate(doc) for doc in connection.execute(query).scalars()]

    def inbox_depth(self) -> int:
        """Revisions of findings that alerts has not worked in yet."""
        with self._db.read() as connection:
            return connection.execute(select(func.count()).select_from(inbox)).scalar_one()

    @contextmanager
    def work(self) -> Iterator[PromptWork]:
        """One transaction of alerts: committed at the end, rolled back on any error."""
        with self._db.write() as connection:
            yield PromptWork(connection)

    def _many(self, query: Select[tuple[object]]) -> list[Prompt]:
        with self._db.read() as connection:
            return [Prompt.model_validate(doc) for doc in connection.execute(query).scalars()]


class Waiting(NamedTuple):
    """A revision in the inbox: its row, whose it is, its state."""

    seq: int
    finding: UUID
    state: str


class PromptWork:
    """Reads and writes inside one transaction of alerts."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    @contextmanager
    def one_item(self) -> Iterator[None]:
        """A savepoint: an error inside undoes this item alone."""
        with self._connection.begin_nested():
            yield

    def inbox(self, limit: int, after: int = 0) -> list[Waiting]:
        """The first ``limit`` revisions that wait behind row ``after``, in the order in which they were written."""
        query = select(findings.c.seq, findings.c.id, findings.c.state).join(inbox, inbox.c.seq == findings.c.seq)
        query = query.where(inbox.c.seq > after).order_by(findings.c.seq).limit(limit)
        rows = self._connection.execute(query).all()
        return [Waiting(row.seq, UUID(row.id), row.state) for row in rows]

    def take(self, seq: int) -> Finding:
        """One waiting revision, which is out of the inbox from now on; ValueError when it can't be read."""
        self._connection.execute(delete(inbox).where(inbox.c.seq == seq))
        return Finding.model_validate(
            self._connection.execute(select(findings.c.doc).where(findings.c.seq == seq)).scalar_one()
        )

    def findings(self, ids: Sequence[UUID]) -> list[Finding]:
        """The newest revision that was worked in of each finding, oldest onset first; unknown ids give nothing."""
        wanted = [str(one) for one in ids]
        newest = (
            select(findings.c.id, func.max(findings.c.revision).label("revision"))
            .where(findings.c.id.in_(wanted), findings.c.seq.not_in(select(inbox.c.seq)))
            .group_by(findings.c.id)
            .subquery()
        )
        query = (
            select(findings.c.doc)
            .join(newest, (findings.c.id == newest.c.id) & (findings.c.revision == newest.c.revision))
            .order_by(findings.c.onset, findings.c.id)
        )
        return [Finding.model_validate(doc) for doc in self._connection.execute(query).scalars()]

    def prompt(self, prompt: UUID) -> Prompt | None:
        """The prompt of that id."""
        return _one(self._connection, _prompts().where(prompts.c.id == str(prompt)))

    def prompt_of(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
        return _of_finding(self._connection, finding)

    def prompt_by_code(self, code: str) -> Prompt | None:
        """The prompt that ``code`` answers."""
        return _by_code(self._connection, code)

    def prompts_in(self, *states: PromptState) -> list[Prompt]:
        """Every prompt in one of ``states``, oldest first."""
        rows = self._connection.execute(_prompts().where(prompts.c.state.in_(states))).scalars()
        return [Prompt.model_validate(doc) for doc in rows]

    def codes(self, since: datetime) -> set[str]:
        """Codes that are taken: of open prompts, and of prompts that changed at or after ``since``."""
        query = select(prompts.c.code).where(or_(prompts.c.state != CLEARED, prompts.c.updated >= since))
        return set(self._connection.execute(query).scalars())

    def save(self, prompt: Prompt) -> None:
        """Write a new prompt, or replace it."""
        values = {
            "code": prompt.code,
            "state": prompt.state,
            "skid": prompt.skid,
            "created": prompt.created,
            "updated": prompt.updated,
            "doc": prompt.model_dump(mode="json"),
        }
        done = self._connection.execute(update(prompts).where(prompts.c.id == str(prompt.id)).values(values))
        if done.rowcount == 0:
            self._connection.execute(insert(prompts).values(id=str(prompt.id), **values))

    def link(self, finding: UUID, prompt: UUID) -> None:
        """A finding belongs to a prompt from now on; also one that has not been seen yet."""
        mine = prompt_findings.c.finding == str(finding)
        done = self._connection.execute(update(prompt_findings).where(mine).values(prompt=str(prompt)))
        if done.rowcount == 0:
            self._connection.execute(insert(prompt_findings).values(finding=str(finding), prompt=str(prompt)))

    def hand_over(self, old: UUID, new: UUID) -> None:
        """Every finding of prompt ``old``, seen or foreseen, belongs to prompt ``new`` from now on."""
        mine = prompt_findings.c.prompt == str(old)
        self._connection.execute(update(prompt_findings).where(mine).values(prompt=str(new)))

    def record(self, transition: Transition) -> None:
        """Append a change of state."""
        self._connection.execute(
            insert(transitions).values(
                prompt=str(transition.prompt), at=transition.at, doc=transition.model_dump(mode="json")
            )
        )

    def put(self, delivery: Delivery) -> None:
        """Write a new delivery, or replace it."""
        values = {"state": delivery.state, "queued": delivery.queued, "doc": delivery.model_dump(mode="json")}
        done = self._connection.execute(update(deliveries).where(deliveries.c.id == str(delivery.id)).values(values))
        if done.rowcount == 0:
            row = {"id": str(delivery.id), "prompt": str(delivery.prompt), **values}
            self._connection.execute(insert(deliveries).values(row))

    def queued(self, prompt: UUID | None = None) -> list[Delivery]:
        """Deliveries that wait to be sent (of one prompt), in the order in which they were queued."""
        query = select(deliveries.c.doc).where(deliveries.c.state == "queued")
        if prompt is not None:
            query = query.where(deliveries.c.prompt == str(prompt))
        rows = self._connection.execute(query.order_by(deliveries.c.queued, deliveries.c.id)).scalars()
        return [Delivery.model_validate(doc) for doc in rows]

    def told(self, prompt: UUID) -> bool:
        """True when a message of ``prompt`` has left, or may have."""
        query = select(deliveries.c.doc).where(deliveries.c.prompt == str(prompt))
        found = (Delivery.model_validate(doc) for doc in self._connection.execute(query).scalars())
        return any(one.state == "sent" or (one.attempts > 0 and one.error is None) for one in found)

    def delivery(self, delivery: UUID) -> Delivery | None:
        """The delivery of that id."""
        doc = self._connection.execute(select(deliveries.c.doc).where(deliveries.c.id == str(delivery))).scalar()
        return None if doc is None else Delivery.model_validate(doc)

    def waiting_answers(self) -> list[Answer]:
        """Answers that nobody has judged, oldest first."""
        query = select(answers.c.doc).where(answers.c.state == "waiting").order_by(answers.c.at, answers.c.id)
        return [Answer.model_validate(doc) for doc in self._connection.execute(query).scalars()]

    def judged(self, answer: Answer) -> None:
        """Write back an answer that was accepted or refused."""
        self._connection.execute(
            update(answers)
            .where(answers.c.id == str(answer.id))
            .values(state=answer.state, doc=answer.model_dump(mode="json"))
        )


class AnswerBook:
    """Answers: anybody adds one, alerts judges it."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, answer: Answer) -> None:
        """Put an answer before alerts; LogbookError when its id stands already."""
        row = {
            "id": str(answer.id),
            "at": answer.at,
            "code": _column_code(answer.code),
            "state": answer.state,
            "doc": answer.model_dump(mode="json"),
        }
        with self._db.write() as connection:
            connection.execute(insert(answers).values(row))

    def get(self, answer: UUID) -> Answer | None:
        """The answer of that id, to see how it was judged."""
        with self._db.read() as connection:
            doc = connection.execute(select(answers.c.doc).where(answers.c.id == str(answer))).scalar()
        return None if doc is None else Answer.model_validate(doc)

    def to(self, code: str) -> list[Answer]:
        """Every answer that named ``code``, oldest first."""
        query = select(answers.c.doc).where(answers.c.code == _column_code(code))
        with self._db.read() as connection:
            rows = connection.execute(query.order_by(answers.c.at, answers.c.id)).scalars()
            return [Answer.model_validate(doc) for doc in rows]


class EntryBook:
    """What people did or measured; never changed afterwards."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, entry: Entry) -> None:
        """Write an entry; LogbookError when its id stands already."""
        row = {"id": str(entry.id), "at": entry.at, "kind": entry.kind, "skid": entry.skid, "who": entry.who}
        with self._db.write() as connection:
            connection.execute(insert(entries).values(**row, doc=entry.model_dump(mode="json")))

    def all(self, *, skid: str | None = None, kind: str | None = None, since: datetime | None = None) -> list[Entry]:
        """Entries that fit, oldest first."""
        query = select(entries.c.doc).order_by(entries.c.at, entries.c.id)
        if skid is not None:
            query = query.where(entries.c.skid == skid)
        if kind is not None:
            query = query.where(entries.c.kind == kind)
        if since is not None:
            query = query.where(entries.c.at >= since)
        with self._db.read() as connection:
            return [Entry.model_validate(doc) for doc in connection.execute(query).scalars()]


def _prompts() -> Select[tuple[object]]:
    return select(prompts.c.doc).order_by(prompts.c.created, prompts.c.id)


def _one(connection: Connection, query: Select[tuple[object]]) -> Prompt | None:
    doc = connection.execute(query.limit(1)).scalar()
    return None if doc is None else Prompt.model_validate(doc)


def _of_finding(connection: Connection, finding: UUID) -> Prompt | None:
    query = _prompts().join(prompt_findings, prompt_findings.c.prompt == prompts.c.id)
    return _one(connection, query.where(prompt_findings.c.finding == str(finding)))


def _by_code(connection: Connection, code: str) -> Prompt | None:
    query = select(prompts.c.doc).where(prompts.c.code == _column_code(code))
    return _one(connection, query.order_by(prompts.c.state == CLEARED, prompts.c.updated.desc()))


def _column_code(code: str) -> str:
    """What the code column can hold of whatever somebody typed; the whole of it stays in ``doc``."""
    return code.replace("\x00", "")[:CODE_LENGTH]
