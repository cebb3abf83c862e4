"""Prompts with their transitions and deliveries, and the answers to them.

Everybody reads prompts here; only alerts opens :meth:`PromptBook.work`, so that all that follows from
one look at the inbox stands or falls together.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from uuid import UUID

from sqlalchemy import Select, func, insert, select

from skidhand.logbook.database import Database
from skidhand.logbook.prompt_queries import all_prompts, column_code, one_prompt, prompt_by_code, prompt_of_finding
from skidhand.logbook.prompt_work import PromptWork
from skidhand.logbook.tables import answers, deliveries, inbox, prompts, transitions
from skidhand.model.prompt import Answer, Delivery, Prompt, Transition


class PromptBook:
    """What the command line, the board and tests read; :meth:`work` is for alerts alone."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def open(self, skid: str | None = None) -> list[Prompt]:
        """Every prompt that is not cleared, oldest first."""
        query = all_prompts().where(prompts.c.state != "cleared")
        return self._many(query if skid is None else query.where(prompts.c.skid == skid))

    def all(self, *, skid: str | None = None, since: datetime | None = None) -> list[Prompt]:
        """Prompts in any state, oldest first; ``since`` looks at their last change."""
        query = all_prompts()
        if skid is not None:
            query = query.where(prompts.c.skid == skid)
        if since is not None:
            query = query.where(prompts.c.updated >= since)
        return self._many(query)

    def get(self, prompt: UUID) -> Prompt | None:
        """The prompt of that id."""
        with self._db.read() as connection:
            return one_prompt(connection, all_prompts().where(prompts.c.id == str(prompt)))

    def by_code(self, code: str) -> Prompt | None:
        """The prompt that ``code`` answers: an open one first, else the one changed last."""
        with self._db.read() as connection:
            return prompt_by_code(connection, code)

    def of_finding(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
        with self._db.read() as connection:
            return prompt_of_finding(connection, finding)

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

    def delivery(self, delivery: UUID) -> Delivery | None:
        """The message of that id."""
        with self._db.read() as connection:
            doc = connection.execute(select(deliveries.c.doc).where(deliveries.c.id == str(delivery))).scalar()
        return None if doc is None else Delivery.model_validate(doc)

    def told(self, person: str) -> list[Prompt]:
        """Open prompts of which a message has left to ``person``, oldest first."""
        mine = select(deliveries.c.prompt).where(deliveries.c.person == person, deliveries.c.state == "sent")
        return self._many(all_prompts().where(prompts.c.state != "cleared", prompts.c.id.in_(mine)))

    def counts(self) -> dict[str, int]:
        """How many prompts there are in each state."""
        query = select(prompts.c.state, func.count().label("n")).group_by(prompts.c.state)
        with self._db.read() as connection:
            return {row.state: row.n for row in connection.execute(query).all()}

    def inbox_depth(self) -> int:
        """Revisions of findings that alerts has not worked in yet."""
        with self._db.read() as connection:
            return connection.execute(select(func.count()).select_from(inbox)).scalar_one()

    @contextmanager
    def work(self) -> Iterator[PromptWork]:
        """One transaction of alerts: committed at the end, rolled back on any error."""
        with self._db.write() as connection:
            work = PromptWork(connection)
            yield work
            work.flush()

    @contextmanager
    def look(self) -> Iterator[PromptWork]:
        """The same without a lock that others wait for; what is changed in it is not written."""
        with self._db.read() as connection:
            yield PromptWork(connection)

    def receipt(self, channel: str, reference: str, *, delivered: bool) -> bool:
        """Note what a gateway says became of a message; False when no message of ours has that ``reference``.

        One that did not arrive waits again, and alerts hands it over to the next channel or person.
        """
        with self.work() as book:
            return book.receipt(channel, reference, delivered=delivered)

    def _many(self, query: Select[tuple[object]]) -> list[Prompt]:
        with self._db.read() as connection:
            return [Prompt.model_validate(doc) for doc in connection.execute(query).scalars()]


class AnswerBook:
    """Answers: anybody adds one, alerts judges it."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def add(self, answer: Answer) -> None:
        """Put an answer before alerts; LogbookError when its id stands already."""
        row = {
            "id": str(answer.id),
            "at": answer.at,
            "code": column_code(answer.code),
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
        query = select(answers.c.doc).where(answers.c.code == column_code(code))
        with self._db.read() as connection:
            rows = connection.execute(query.order_by(answers.c.at, answers.c.id)).scalars()
            return [Answer.model_validate(doc) for doc in rows]

    def about(self, prompt: Prompt) -> list[Answer]:
        """Answers that named its code while the code was its own, oldest first.

        Codes are used again, so an answer belongs to the youngest prompt of its code that was there when it was
        judged, by the clock that raises prompts; what waits still goes by its own time.
        """
        later = select(func.min(prompts.c.created)).where(
            prompts.c.code == column_code(prompt.code), prompts.c.created > prompt.created
        )
        with self._db.read() as connection:
            until = connection.execute(later).scalar()
        said = [(one.judged or one.at, one) for one in self.to(prompt.code)]
        return [one for at, one in said if prompt.created <= at and (until is None or at < until)]
