"""First steps in the viewer's language."""

from __future__ import annotations

import ast
from pathlib import Path

import analytics
from board.words import words_in
from board.words.es_steps import STEPS


def sentences() -> set[str]:
    """Every sentence in analytics that a detector suggests, found in its source."""
    files = Path(analytics.__path__[0]).rglob("*.py")
    nodes = (node for file in files for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))))
    return {
        node.value
        for node in nodes
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.startswith("Suggest ")
    }


def test_every_first_step_has_its_spanish():
    """None is forgotten when a detector learns to suggest something new, and none is kept that nobody says."""
    assert sentences() - STEPS.keys() == set()
    assert all(
        text.startswith("Se sugiere ") and text.endswith("según el procedimiento del sitio.") for text in STEPS.values()
    )


def test_a_step_is_shown_in_spanish_and_an_outsiders_as_written():
    """Spanish has its own sentence; English, and what has no translation, says what the finding says."""
    said = "Suggest cleaning the strainer, per site procedure."
    assert words_in("es").spoken(said) == ("Se sugiere limpiar el colador, según el procedimiento del sitio.", "es")
    assert words_in("en").spoken(said) == (said, "en")
    assert words_in("es").spoken("Ask the maker.") == ("Ask the maker.", "en")
