"""``skidhand prompts``: what people were told, and their answers."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from skidhand.cli.options import (
    Format,
    FormatOption,
    LogbookOption,
    SettingsOption,
    SkidOption,
    known_skid,
    look_into_logbook,
    parse_time,
    settings_from,
    talk,
    user_name,
)
from skidhand.cli.output import print_rows
from skidhand.errors import NotFoundError, UserError

if TYPE_CHECKING:
    from skidhand.logbook import Logbook
    from skidhand.model.prompt import Answer, Prompt, Verb
    from skidhand.settings import Settings

app = typer.Typer(
    help="List prompts, look at one, or answer one.\n\n\b\nExample:\n    skidhand prompts ack 482 --who reyes",
    rich_markup_mode=None,
)

COLUMNS = ("code", "priority", "state", "kind", "site", "skid", "unit", "title", "created", "updated", "taken_by")
STATS = (
    "person", "messages", "per_shift", "prompts", "in_time", "false", "repeats", "kept_back", "failed", "peak_10_min",
)  # fmt: skip
WAIT_S = 5.0


WORDS: Final[dict[str, tuple[Verb, str, str]]] = {
    "ack": ("acknowledge", "Acknowledge a prompt: seen, and somebody thinks of it.", "482"),
    "mine": ("mine", "Take a prompt: you see to it.", "482"),
    "done": ("done", "Say that the work is done; it clears when the readings are back to normal.", "482 'washed'"),
    "false": ("false", "Say that there was nothing; it is counted as a false call.", "482 'gauge was iced'"),
    "wait": ("wait", "Put a prompt off for a while (15m, 2h, 1d).", "482 2h"),
    "pass": ("pass", "Pass a prompt on to somebody else on the roster.", "482 ruiz"),
    "unshelve": ("unshelve", "Take a prompt back from the shelf at once.", "482"),
    "work": ("work", "Work there: the prompt's skid is out of service for a while (15m, 2h, 1d).", "482 2h"),
}
"""Command → verb of the answer, what it does, and the words of an example."""


@app.callback(invoke_without_command=True)
def _bare(
    context: typer.Context,
    stats: Annotated[bool, typer.Option("--stats", help="As the command stats.")] = False,
) -> None:
    if stats:
        show_stats()
    elif context.invoked_subcommand is None:
        list_prompts()


@app.command("stats")
def show_stats(
    days: Annotated[float, typer.Option("--days", min=0.1, help="How far back from now.")] = 28.0,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Show how good the calling is: calls per person and shift of 12 h, in time, false, repeats, worst 10 minutes.

    \b
    Example:
        skidhand prompts stats --days 7
    """
    from alerts.figures import figures

    book, clock = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        now = clock.now()
        rows = figures(book, now - timedelta(days=days), now + timedelta(seconds=1)) if now else []
    print_rows(rows, STATS, format)


@app.command("list")
def list_prompts(
    skid: SkidOption = None,
    every: Annotated[bool, typer.Option("--all", help="Cleared ones too.")] = False,
    since: Annotated[str | None, typer.Option("--since", metavar="TIME", help="Changed at or after (--all).")] = None,
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """List prompts that are not cleared, oldest first.

    \b
    Example:
        skidhand prompts list --skid tf-skid-1
    """
    if since and not every:
        raise UserError("--since belongs to --all")
    book, _ = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        known_skid(book, skid, sites=True)
        moment = parse_time(since) if since else None
        found = book.prompts.all(skid=skid, since=moment) if every else book.prompts.open(skid)
    print_rows([{name: getattr(prompt, name) for name in COLUMNS} for prompt in found], COLUMNS, format)


@app.command("show")
def show(
    code: Annotated[str, typer.Argument(help="The prompt's code.")],
    settings_file: SettingsOption = None,
    logbook: LogbookOption = None,
    format: FormatOption = Format.TABLE,
) -> None:
    """Show one prompt: its changes of state, its messages, and the answers to it.

    \b
    Example:
        skidhand prompts show 482
    """
    book, _ = look_into_logbook(settings_from(settings_file, logbook=logbook))
    with book:
        prompt = _prompt(book, code)
        rows = _story(book, prompt)
    print_rows(rows, ("time", "what", "who", "text"), format, title=f"{prompt.code}  {prompt.title}  ({prompt.state})")


def _word(verb: Verb, means: str, example: str, name: str) -> Callable[..., None]:
    def command(
        code: Annotated[str, typer.Argument(help="The prompt's code.")],
        text: Annotated[str, typer.Argument(help="How long, to whom, or a remark.")] = "",
        who: Annotated[str | None, typer.Option("--who", metavar="ID", help="You, by your id on the roster.")] = None,
        settings_file: SettingsOption = None,
        logbook: LogbookOption = None,
    ) -> None:
        _answer(code, verb, text, who, settings_from(settings_file, logbook=logbook))

    command.__doc__ = f"""{means}

    The alerts service judges it; this waits a moment for the verdict. Exit status 1: refused, with the reason.

    \b
    Example:
        skidhand prompts {name} {example} --who reyes
    """
    return command


for _name, (_verb, _means, _example) in WORDS.items():
    app.command(_name)(_word(_verb, _means, _example, _name))


def _answer(code: str, verb: Verb, text: str, who: str | None, settings: Settings) -> None:
    from skidhand.model.prompt import Answer

    book, clock = look_into_logbook(settings)
    with book:
        _prompt(book, code)
        now = clock.now()
        if now is None:
            raise UserError("the stream has announced no time yet; there is nothing to answer")
        mine = Answer(
            id=uuid.uuid4(), at=now, who=who or user_name(), code=code, verb=verb, text=text, channel="command line"
        )
        book.answers.add(mine)
        judged = _judged(book, mine)
    if judged.state == "refused":
        talk(f"Refused: {judged.reason}")
        raise typer.Exit(1)
    if judged.state == "waiting":
        talk("Written down; it counts as soon as the alerts service runs.")
    else:
        talk(f"Accepted: {code} {verb}.")


def _judged(book: Logbook, mine: Answer) -> Answer:
    """The answer once alerts has judged it; as it stands after WAIT_S."""
    import threading

    from skidhand.clock import monotonic

    end, pause = monotonic() + WAIT_S, threading.Event()
    while (found := book.answers.get(mine.id)) is None or found.state == "waiting":
        if monotonic() > end:
            return mine
        pause.wait(0.1)
    return found


def _prompt(book: Logbook, code: str) -> Prompt:
    prompt = book.prompts.by_code(code)
    if prompt is None:
        known = ", ".join(p.code for p in book.prompts.open()) or "none"
        raise NotFoundError(f"no prompt has the code {code!r}; open ones: {known}")
    return prompt


def _story(book: Logbook, prompt: Prompt) -> list[dict[str, Any]]:
    states = [
        {"time": t.at, "what": f"{t.before or 'new'} → {t.after}", "who": t.who, "text": t.why}
        for t in book.prompts.history(prompt.id)
    ]
    messages = [
        {"time": d.queued, "what": f"message, {d.state}", "who": f"{d.person} ({d.channel})", "text": d.text}
        for d in book.prompts.deliveries(prompt.id)
    ]
    answers = [
        {"time": a.at, "what": f"{a.verb}, {a.state}", "who": a.who, "text": a.reason or a.text}
        for a in book.answers.about(prompt)
    ]
    return sorted([*states, *messages, *answers], key=lambda row: row["time"])
