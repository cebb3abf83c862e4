"""Questions about prompts that readers and alerts ask alike."""

from __future__ import annotations

from typing import Final
from uuid import UUID

from sqlalchemy import Connection, Select, select

from skidhand.logbook.database import column_text
from skidhand.logbook.tables import prompt_findings, prompts
from skidhand.model.prompt import Prompt, PromptState

CLEARED: Final[PromptState] = "cleared"
CODE_LENGTH: Final = 8


def all_prompts() -> Select[tuple[object]]:
    """Every prompt, oldest first."""
    return select(prompts.c.doc).order_by(prompts.c.created, prompts.c.id)


def one_prompt(connection: Connection, query: Select[tuple[object]]) -> Prompt | None:
    """The first that ``query`` gives."""
    doc = connection.execute(query.limit(1)).scalar()
    return None if doc is None else Prompt.model_validate(doc)


def prompt_of_finding(connection: Connection, finding: UUID) -> Prompt | None:
    """The prompt that a finding belongs to."""
    query = all_prompts().join(prompt_findings, prompt_findings.c.prompt == prompts.c.id)
    return one_prompt(connection, query.where(prompt_findings.c.finding == str(finding)))


def prompt_by_code(connection: Connection, code: str) -> Prompt | None:
    """The prompt that ``code`` answers: an open one first, else the one changed last."""
    query = select(prompts.c.doc).where(prompts.c.code == column_code(code))
    return one_prompt(connection, query.order_by(prompts.c.state == CLEARED, prompts.c.updated.desc()))


def column_code(code: str) -> str:
    """What the code column can hold of whatever somebody typed; the whole of it stays in ``doc``."""
    return column_text(code)[:CODE_LENGTH]
