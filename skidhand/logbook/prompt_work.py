"""One transaction of alerts over prompts: read once, changed in memory, written together.

A flood of findings costs a few statements a batch instead of a dozen a finding. Alerts is the only writer of
prompts, deliveries and transitions, so what is in memory is what the database will hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple
from uuid import UUID

from sqlalchemy import Connection, Select, bindparam, delete, func, insert, or_, select, update

from skidhand.logbook import prompt_queries
from skidhand.logbook.prompt_queries import CLEARED
from skidhand.logbook.tables import answers, deliveries, findings, inbox, prompt_findings, prompts, transitions, work
from skidhand.model.finding import Finding
from skidhand.model.prompt import Answer, Delivery, Prompt, PromptState, Transition, Work

PARAMETERS: Final = 500  # of one statement; SQLite takes 32,766, older ones 999


class Waiting(NamedTuple):
    """A revision in the inbox: its row, whose it is, its state."""

    seq: int
    finding: UUID
    state: str


class PromptWork:
    """Reads and writes inside one transaction; :meth:`flush` writes all that was changed."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._prompts: dict[UUID, Prompt] = {}
        self._findings: dict[UUID, Finding] = {}
        self._unseen: set[UUID] = set()
        self._links: dict[UUID, UUID | None] = {}
        self._messages: dict[UUID, dict[UUID, Delivery]] = {}
        self._waiting: dict[int, Finding] = {}
        self._stored: set[object] = set()  # prompts, deliveries and (linked) findings that have a row
        self._changed: dict[str, dict[Any, None]] = {"prompts": {}, "links": {}, "messages": {}}
        self._taken: list[int] = []
        self._rows: list[dict[str, Any]] = []

    # What waits

    def inbox(self, limit: int, after: int = 0) -> list[Waiting]:
        """The first ``limit`` revisions that wait behind row ``after``, in the order in which they were written."""
        query = select(findings.c.seq, findings.c.id, findings.c.state).join(inbox, inbox.c.seq == findings.c.seq)
        query = query.where(inbox.c.seq > after).order_by(findings.c.seq).limit(limit)
        return [Waiting(row.seq, UUID(row.id), row.state) for row in self._connection.execute(query).all()]

    def preload(self, waiting: Sequence[Waiting]) -> set[str]:
        """Read together what working in ``waiting`` will ask for; gives their skids. ValueError: one can't be read."""
        query = select(findings.c.seq, findings.c.doc)
        for part in _parts([row.seq for row in waiting]):
            rows = self._connection.execute(query.where(findings.c.seq.in_(part))).all()
            self._waiting |= {row.seq: Finding.model_validate(row.doc) for row in rows}
        ids = {one.id for one in self._waiting.values()}
        ids |= {other for one in self._waiting.values() for other in (one.root, one.superseded_by) if other}
        self._load_links(ids)
        self._load_prompts({link for link in self._links.values() if link is not None})
        self._load_findings(ids.union(*(prompt.findings for prompt in self._prompts.values())))
        self._load_messages(self._prompts)
        return {one.skid for one in self._waiting.values()}

    def take(self, seq: int) -> Finding:
        """One waiting revision, which is out of the inbox from now on; ValueError when it can't be read."""
        finding = self._waiting.pop(seq, None)
        if finding is None:
            query = select(findings.c.doc).where(findings.c.seq == seq)
            finding = Finding.model_validate(self._connection.execute(query).scalar_one())
        known = self.findings([finding.id])
        if not known or known[0].revision < finding.revision:
            self._findings[finding.id] = finding
        self._taken.append(seq)
        return finding

    # Findings and prompts

    def findings(self, ids: Sequence[UUID]) -> list[Finding]:
        """The newest revision that was worked in of each finding, oldest onset first; unknown ids give nothing."""
        self._load_findings(set(ids))
        found = (self._findings[one] for one in dict.fromkeys(ids) if one in self._findings)
        return sorted(found, key=lambda finding: (finding.onset, str(finding.id)))

    def prompt(self, prompt: UUID) -> Prompt | None:
        """The prompt of that id."""
        self._load_prompts({prompt})
        return self._prompts.get(prompt)

    def prompt_of(self, finding: UUID) -> Prompt | None:
        """The prompt that a finding belongs to."""
        self._load_links({finding})
        link = self._links[finding]
        return None if link is None else self.prompt(link)

    def prompt_by_code(self, code: str) -> Prompt | None:
        """The prompt that ``code`` answers."""
        self.flush()
        return self._known(prompt_queries.prompt_by_code(self._connection, code))

    def prompts_in(self, *states: PromptState) -> list[Prompt]:
        """Every prompt in one of ``states``, oldest first."""
        return self._found(prompts.c.state.in_(states))

    def prompts_due(self, now: datetime, limit: int) -> list[Prompt]:
        """Prompts whose time has come: end of shelving, next step of escalation, asking back, end of an off-delay.

        At most ``limit``, those that have waited longest.
        """
        self.flush()
        due = select(prompts.c.id).where(prompts.c.wake_at <= now).order_by(prompts.c.wake_at, prompts.c.id)
        return self._found(prompts.c.id.in_(due.limit(limit)))

    def open_on(self, skids: Iterable[str], heads: Iterable[str] | None = None) -> list[Prompt]:
        """Prompts of those skids that are not cleared, of findings of the kinds ``heads`` (None: all)."""
        wanted = prompts.c.skid.in_(list(skids)) & (prompts.c.state != CLEARED)
        return self._found(wanted if heads is None else wanted & prompts.c.head.in_(list(heads)))

    def codes(self, since: datetime) -> set[str]:
        """Codes that are taken: of open prompts, and of prompts that changed at or after ``since``."""
        self.flush()
        query = select(prompts.c.code).where(or_(prompts.c.state != CLEARED, prompts.c.updated >= since))
        return set(self._connection.execute(query).scalars())

    def save(self, prompt: Prompt, *, new: bool = False) -> None:
        """Write a new prompt, or replace it; ``new``: the caller knows that there is none of that id."""
        if not new:
            self._load_prompts({prompt.id})
        self._prompts[prompt.id] = prompt
        self._changed["prompts"][prompt.id] = None

    def link(self, finding: UUID, prompt: UUID) -> None:
        """A finding belongs to a prompt from now on; also one that has not been seen yet."""
        self._load_links({finding})
        self._links[finding] = prompt
        self._changed["links"][finding] = None

    def hand_over(self, old: UUID, new: UUID) -> None:
        """Every finding of prompt ``old``, seen or foreseen, belongs to prompt ``new`` from now on."""
        self.flush()
        mine = select(prompt_findings.c.finding).where(prompt_findings.c.prompt == str(old))
        for finding in self._connection.execute(mine).scalars().all():
            self.link(UUID(finding), new)

    def record(self, transition: Transition) -> None:
        """Append a change of state."""
        doc = transition.model_dump(mode="json")
        self._rows.append({"prompt": str(transition.prompt), "at": transition.at, "doc": doc})

    # Messages

    def put(self, delivery: Delivery) -> None:
        """Write a new delivery, or replace it."""
        self._load_messages({delivery.prompt})
        self._messages[delivery.prompt][delivery.id] = delivery
        self._changed["messages"][delivery.id, delivery.prompt] = None

    def read_together(self, ids: Iterable[UUID]) -> None:
        """Read prompts and their messages in a few statements, because each will be asked for."""
        wanted = set(ids)
        self._load_prompts(wanted)
        self._load_messages(wanted)

    def messages(self, prompt: UUID) -> list[Delivery]:
        """Every message of a prompt, in the order in which they were queued."""
        self._load_messages({prompt})
        return sorted(self._messages[prompt].values(), key=lambda one: (one.queued, str(one.id)))

    def queued(self, prompt: UUID | None = None) -> list[Delivery]:
        """Deliveries that wait to be sent (of one prompt), in the order in which they were queued."""
        if prompt is not None:
            return [one for one in self.messages(prompt) if one.state == "queued"]
        self.flush()
        query = select(deliveries.c.doc).where(deliveries.c.state == "queued")
        rows = self._connection.execute(query.order_by(deliveries.c.queued, deliveries.c.id)).scalars()
        return [Delivery.model_validate(doc) for doc in rows]

    def told(self, prompt: UUID) -> bool:
        """True when a message of ``prompt`` has left, or may have."""
        return any(
            one.state in ("sent", "summarised") or (one.attempts > 0 and one.error is None)
            for one in self.messages(prompt)
        )

    def delivery(self, delivery: UUID) -> Delivery | None:
        """The delivery of that id."""
        self.flush()
        doc = self._connection.execute(select(deliveries.c.doc).where(deliveries.c.id == str(delivery))).scalar()
        return None if doc is None else Delivery.model_validate(doc)

    def rows(self) -> Connection:
        """The transaction's connection, with all changes in it, for what ``message_queries`` asks."""
        self.flush()
        return self._connection

    def receipt(self, channel: str, reference: str, *, delivered: bool) -> bool:
        """As ``PromptBook.receipt``."""
        query = select(deliveries.c.doc).where(deliveries.c.channel == channel, deliveries.c.reference == reference)
        doc = self._connection.execute(query.order_by(deliveries.c.queued.desc()).limit(1)).scalar()
        if doc is None:
            return False
        found = Delivery.model_validate(doc)
        if delivered:
            self.put(found.model_copy(update={"receipt": "delivered"}))
        elif found.receipt is None and found.state == "sent":
            lost = {"receipt": "undelivered", "state": "queued", "sent": None, "error": "the gateway: not delivered"}
            self.put(found.model_copy(update=lost))
        return True

    # Answers and work

    def waiting_answers(self) -> list[Answer]:
        """Answers that nobody has judged, oldest first."""
        query = select(answers.c.doc).where(answers.c.state == "waiting").order_by(answers.c.at, answers.c.id)
        return [Answer.model_validate(doc) for doc in self._connection.execute(query).scalars()]

    def judged(self, answer: Answer) -> None:
        """Write back an answer that was accepted or refused."""
        mine = update(answers).where(answers.c.id == str(answer.id))
        self._connection.execute(mine.values(state=answer.state, doc=answer.model_dump(mode="json")))

    def open_work(self) -> list[Work]:
        """Work and outages that have not ended, oldest first."""
        rows = self._connection.execute(select(work.c.doc).where(work.c.open)).scalars()
        return sorted(map(Work.model_validate, rows), key=lambda one: (one.begins, str(one.id)))

    def put_work(self, one: Work) -> None:
        """Write new work, or replace it."""
        values = {"skid": one.skid, "open": one.ended is None, "doc": one.model_dump(mode="json")}
        done = self._connection.execute(update(work).where(work.c.id == str(one.id)).values(values))
        if done.rowcount == 0:
            self._connection.execute(insert(work).values(id=str(one.id), **values))

    # Reading and writing

    def flush(self) -> None:
        """Write all that was changed; prompts first, for the others point at them."""
        self._write(prompts, "id", self._changed["prompts"], self._prompt_row)
        self._write(prompt_findings, "finding", self._changed["links"], self._link_row)
        self._write(deliveries, "id", self._changed["messages"], self._message_row)
        for part in _parts(self._taken):
            self._connection.execute(delete(inbox).where(inbox.c.seq.in_(part)))
        if self._rows:
            self._connection.execute(insert(transitions), self._rows)
        self._taken, self._rows = [], []

    def _write(self, table: Any, key: str, changed: dict[Any, None], row: Any) -> None:
        new = [row(one) for one in changed if one not in self._stored]
        old = [row(one) for one in changed if one in self._stored]
        if new:
            self._connection.execute(insert(table), new)
        if old:
            renamed = [{"_key": values.pop(key), **values} for values in old]
            self._connection.execute(update(table).where(table.c[key] == bindparam("_key")), renamed)
        self._stored.update(changed)
        changed.clear()

    def _prompt_row(self, prompt: UUID) -> dict[str, Any]:
        one = self._prompts[prompt]
        columns = ("code", "state", "skid", "created", "updated", "wake_at", "head")
        return {"id": str(one.id), **{name: getattr(one, name) for name in columns}, "doc": one.model_dump(mode="json")}

    def _link_row(self, finding: UUID) -> dict[str, Any]:
        return {"finding": str(finding), "prompt": str(self._links[finding])}

    def _message_row(self, key: tuple[UUID, UUID]) -> dict[str, Any]:
        one = self._messages[key[1]][key[0]]
        columns = ("state", "queued", "person", "channel", "sent", "reference")
        values = {name: getattr(one, name) for name in columns}
        return {"id": str(one.id), "prompt": str(one.prompt), **values, "doc": one.model_dump(mode="json")}

    def _found(self, wanted: Any) -> list[Prompt]:
        self.flush()
        rows = self._connection.execute(prompt_queries.all_prompts().where(wanted)).scalars()
        return [self._remember(Prompt.model_validate(doc)) for doc in rows]

    def _known(self, prompt: Prompt | None) -> Prompt | None:
        return None if prompt is None else self._remember(prompt)

    def _remember(self, prompt: Prompt) -> Prompt:
        self._stored.add(prompt.id)
        self._prompts[prompt.id] = prompt
        return prompt

    def _load_prompts(self, ids: Iterable[UUID]) -> None:
        for part in _parts([str(one) for one in ids if one not in self._prompts]):
            query: Select[Any] = select(prompts.c.doc).where(prompts.c.id.in_(part))
            for doc in self._connection.execute(query).scalars():
                self._remember(Prompt.model_validate(doc))

    def _load_links(self, ids: Iterable[UUID]) -> None:
        missing = [one for one in ids if one not in self._links]
        self._links |= dict.fromkeys(missing)
        for part in _parts([str(one) for one in missing]):
            query = select(prompt_findings).where(prompt_findings.c.finding.in_(part))
            for row in self._connection.execute(query).all():
                self._links[UUID(row.finding)] = UUID(row.prompt)
                self._stored.add(UUID(row.finding))

    def _load_findings(self, ids: Iterable[UUID]) -> None:
        missing = [one for one in ids if one not in self._findings and one not in self._unseen]
        self._unseen.update(missing)  # only take() can bring one in
        for part in _parts([str(one) for one in missing]):
            newest = (
                select(findings.c.id, func.max(findings.c.revision).label("revision"))
                .where(findings.c.id.in_(part), findings.c.seq.not_in(select(inbox.c.seq)))
                .group_by(findings.c.id)
                .subquery()
            )
            same = (findings.c.id == newest.c.id) & (findings.c.revision == newest.c.revision)
            for doc in self._connection.execute(select(findings.c.doc).join(newest, same)).scalars():
                found = Finding.model_validate(doc)
                self._findings[found.id] = found

    def _load_messages(self, ids: Iterable[UUID]) -> None:
        missing = [one for one in ids if one not in self._messages]
        self._messages |= {one: {} for one in missing}
        for part in _parts([str(one) for one in missing if one in self._stored or one not in self._prompts]):
            query = select(deliveries.c.doc).where(deliveries.c.prompt.in_(part))
            for doc in self._connection.execute(query).scalars():
                found = Delivery.model_validate(doc)
                self._messages[found.prompt][found.id] = found
                self._stored.add((found.id, found.prompt))


def _parts(values: Sequence[Any]) -> Iterator[list[Any]]:
    """``values`` in parts that one statement takes."""
    for start in range(0, len(values), PARAMETERS):
        yield list(values[start : start + PARAMETERS])
