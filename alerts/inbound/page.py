"""The page behind an e-mail's link: what was sent, one button, no script and nothing from elsewhere."""

from __future__ import annotations

from html import escape

from alerts.words import Words
from skidhand.model.prompt import Verb

_PAGE = """<!doctype html>
<html lang="{language}"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><style>
body {{ font: 18px/1.5 sans-serif; max-width: 36em; margin: 0 auto; padding: 1em; color: #222; background: #fff }}
button {{ font: inherit; font-weight: bold; width: 100%; padding: 1em; border: 0; color: #fff; background: #1f5f8b }}
input {{ font: inherit; width: 100%; padding: .6em; margin: .3em 0 1em; box-sizing: border-box }}
</style></head><body><h1>{title}</h1><p>{text}</p>{form}</body></html>
"""
_FORM = """<form method="post"><label>{label}<input name="remark" maxlength="480" autocomplete="off"></label>
<button>{button}</button></form>"""


def answer_page(words: Words, language: str, verb: Verb, text: str) -> str:
    """What the message said, and the button that confirms ``verb``."""
    form = _FORM.format(
        label=escape(words.page["remark"]), button=escape(f"{words.page['confirm']}: {words.verbs[verb][0]}")
    )
    return _PAGE.format(language=language, title=escape(words.page["title"]), text=escape(text), form=form)


def note_page(words: Words, language: str, text: str) -> str:
    """One sentence."""
    return _PAGE.format(language=language, title=escape(words.page["title"]), text=escape(text), form="")
