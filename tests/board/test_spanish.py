"""A Spanish reader reads Spanish: what other rooms write in English has its words here, on every page."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser
from uuid import UUID, uuid4

import pytest

from alerts.words import words_in as words_for
from analytics.report_words import ReportWords
from board.app import make_app
from board.words import words_in
from skidhand import plugins
from skidhand.fleet import parse_fleet
from skidhand.logbook.analysis import Standing, Worked
from skidhand.model.entry import Entry
from skidhand.model.entry_kinds import KINDS as ENTRIES
from skidhand.model.entry_kinds import make_entry
from skidhand.model.finding import Evidence, Number, RuledOut, Trace
from skidhand.model.kinds import KINDS
from skidhand.model.prompt import Delivery, Transition, Work
from skidhand.model.samples import micros
from skidhand.model.watched import Learning, NotWatched, Watched
from skidhand.settings import Board
from tests.board import english, site
from tests.board.conftest import PASSWORD, client_of, csrf_of
from tests.board.test_customer import routes
from tests.board.test_pages import plain
from tests.board.test_tanks import text as with_tanks

SPANISH = words_in("es")
GIVEN = (
    "Skid 1", "Skid 2", "Skid 3", "Tansy 4 pad", "Sorrel 2 pad", "Tansy Flat reuse", "cyclone feed", "media filter",
    "treated water", "por test", "running", "stopped", "English", "a note in English",
    "sent as it was", "EPA 1664", "CSV", "PDF",
)  # fmt: skip
"""What stands on the pages as somebody wrote it: names, notes, states of the fleet file, messages as they were sent."""


def filled(text: str) -> str:
    """A template with something in each gap."""
    return text.replace(english.GAP, "7")


def unsaid(texts: set[str]) -> list[str]:
    """Those that have no Spanish, neither as they stand nor behind the role that they are told of."""
    assert len(texts) > 5, "nothing was found in the source to be held to this"
    tries = ("{}", "x: {}", "x{}")
    return sorted(t for t in texts if not any(SPANISH.phrases(filled(one.format(t))) for one in tries))


def test_what_a_finding_could_have_been_and_why_not_has_its_spanish():
    """Every sentence of every detector, found in its source; none is forgotten when one learns something new."""
    assert unsaid(english.ruled_out() | english.told()) == []


def test_what_is_not_watched_and_why_has_its_spanish():
    """What a detector lacks, in words; the names of roles stay as the fleet file has them."""
    assert unsaid(english.notes()) == []


def test_figures_names_and_parts_have_their_spanish():
    """Names of evidence, short names of findings, what units and their instruments are."""
    types = [plugin.member for plugin in plugins.load("unit_type").values()]
    parts = {one.means for one in types} | {role.means for one in types for role in one.roles.values()}
    spaced = {filled(name.replace("_", " ")) for name in english.figures()}
    assert sorted(name for name in spaced if SPANISH.figures(name) is None) == []
    assert unsaid(parts | {kind.replace("-", " ") for kind in KINDS}) == []


def test_a_prompts_history_and_what_is_refused_have_their_spanish():
    """Why a prompt changed, why a message was not sent, why the board would not."""
    assert unsaid(english.history()) == []
    assert unsaid(english.refusals()) == []


def test_a_gap_is_filled_with_what_stood_in_it():
    """Figures stay, a sentence in a gap is turned as well, and what nobody knows is left in English."""
    said = SPANISH.phrases("no sample can arrive before it was taken; here stamp and receipt stay equally far apart")
    assert said is not None
    assert said.startswith("ninguna muestra puede llegar antes de tomarse; aquí la hora de la muestra")
    assert SPANISH.said("flow is +3 %; oil is 2.1 times what that explains").count("2.1") == 1
    assert SPANISH.spoken("the moon was full") == ("the moon was full", "en")
    assert words_in("en").said("a flow step") == "a flow step"


class Nodes(HTMLParser):
    """The texts of a page, and of the attributes that are read out."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[str] = []
        self._skipped = 0

    def handle_starttag(self, tag, attrs):
        """Attributes that a reader hears."""
        self._skipped += tag in ("script", "style")
        self.told += [v for name, v in attrs if name in ("aria-label", "title", "placeholder", "alt") and v]

    def handle_endtag(self, tag):
        """The end of what nobody reads."""
        self._skipped -= tag in ("script", "style")

    def handle_data(self, data):
        """A text."""
        if not self._skipped and data.strip():
            self.told.append(data.strip())


def words(text: str) -> set[str]:
    """The words of three letters and more."""
    return set(re.findall(r"[a-záéíóúñü]{3,}", text.lower()))


def english_words() -> set[str]:
    """Words that the English pages use and the Spanish ones do not."""
    mine, theirs = (" ".join([*t.texts.values(), *t.kinds.values(), *t.causes.values(), *t.hazards.values()])
                    for t in (words_in("en"), SPANISH))  # fmt: skip
    common = {"the", "and", "not", "with", "from", "than", "was", "has", "are", "its", "for", "flow", "drop", "level"}
    return (
        (words(mine) | common)
        - words(theirs)
        - words(" ".join([*SPANISH.phrases.translations, *SPANISH.figures.translations]))
        - {"skidhand", "scada"}
    )


@pytest.fixture
def full(filled, logbook):
    """A board with a finding of every kind, prompts in every state, entries of every kind, a tank, things learnt."""
    logbook.fleets.apply(parse_fleet(with_tanks()), effective=site.NOW, who="test")
    findings = [_one_of(kind, n) for n, kind in enumerate(KINDS)]
    site.put(logbook, *findings)
    for n, state in enumerate(("unacknowledged", "acknowledged", "returned-unacknowledged", "shelved", "suppressed",
                               "out-of-service", "cleared")):  # fmt: skip
        site.prompt(logbook, findings[n], f"70{n}1", state=state, taken_by="robin", shelved_until=site.NOW)
    _history(logbook, site.prompt(logbook, findings[7], "9999").id)
    blind = site.finding(run="blind")
    site.prompt(logbook, blind, "5555", skid="", site="", findings=(), about="blind:ingest",
                title="skidhand is blind: ingest silent since 08:00Z")  # fmt: skip
    for kind in ENTRIES:
        logbook.entries.add(_entry(kind))
    logbook.entries.add(Entry(id=uuid4(), at=site.NOW, kind="handover", who="robin", text="", data={"open": "4821"}))
    learns = Learning(unit="skid", detector="x", kinds=tuple(KINDS), why="part", what="liner", since=site.NOW, done=6,
                      of=24, measure="h")  # fmt: skip
    slow = NotWatched(since=site.NOW, flow=3.0, least=8.0, unit="[gal_us]/min")
    watched = Watched(skid="tf-3", at=site.NOW, learning=(learns,), not_watched=slow)
    assert logbook.leases.take("analyze:tf-3", "test")
    logbook.analysis.commit(Worked(Standing("tf-3", None, site.NOW, b""), (), watched), owner="test")
    client = client_of(make_app(filled[1], logbook, Board(), site.clock()))
    client.post("/sign-in", data={"name": "ada", "password": PASSWORD})
    return client, findings


def _one_of(kind: str, n: int):
    """A finding of that kind; the first carries every figure and every reason that there is."""
    causes = KINDS[kind].causes
    figures = sorted(english.figures()) if n == 0 else ["dp_limit"]
    reasons = sorted(english.ruled_out()) if n == 0 else ["a flow step"]
    times = tuple(micros(site.NOW) + 60_000_000 * i for i in range(3))
    trace = Trace(name="normalised_flow", unit="1", times=times, values=(1.0, 2.0, 3.0))
    numbers = tuple(Number(name=filled(name), value=1.0, unit="1") for name in figures)
    return site.finding(
        kind, "filter-a", run=str(n), severity="high", cause=causes[0][0] if causes else None,
        ruled_out=tuple(RuledOut(what=filled(one), why=filled(one)) for one in reasons),
        evidence=Evidence(numbers=numbers, traces=(trace,)),
        first_step="Suggest cleaning the strainer, per site procedure.",
    )  # fmt: skip


def _history(logbook, prompt: UUID) -> None:
    with logbook.prompts.work() as work:
        for n, why in enumerate(sorted(english.history())):
            row = Transition(prompt=prompt, at=site.NOW, before="acknowledged", after="unacknowledged", who="skidhand",
                             why=filled(why) if n % 2 else f"split-drift, revision {n}: now high, phone")  # fmt: skip
            work.record(row)
        work.put_work(Work(id=uuid4(), skid="tf-2", who="robin", why="prompt 4821", begins=site.NOW, until=site.NOW))
        work.put(Delivery(id=uuid4(), prompt=prompt, channel="console", person="robin", address="x",
                            text="sent as it was", state="sent", queued=site.NOW))  # fmt: skip


def _entry(kind: str) -> Entry:
    data = {
        "lab": {"analyte": "suspended-solids", "value": 3, "unit": "mg/L", "less_than": True, "method": "EPA 1664"},
        "jar-test": {"chemical": "x", "dose": 3, "oil": 2, "turbidity": 4, "ph": 7},
        "calibration": {"tag": "AT-301", "reference": 3, "as_found": 4, "as_left": 3, "due": "2026-03-05"},
        "work": {"unit_id": "cyclone", "resets": "liner", "hours": 2},
        "delivery": {"chemical": "x", "amount": 3, "unit": "[gal_us]", "batch": "7"},
        "truck": {"ticket": "7", "amount": 130, "carries": "produced-water"},
        "waste": {"what": "spent-media", "amount": 3, "unit": "t", "dose_rate": 0.3, "background": 0.1},
        "note": {},
    }[kind]
    return make_entry(kind, site.NOW, "robin", skid="tf-1", text="a note in English", data=data)


def leftovers(page: str, foreign: set[str]) -> list[str]:
    """Texts of a page in which an English word stands that nobody gave as it is."""
    nodes = Nodes()
    nodes.feed(page)
    found = []
    for text in nodes.told:
        plain = text
        for name in sorted(GIVEN, key=len, reverse=True):
            plain = plain.replace(name, " ")
        plain = re.sub(r"(?i)\b[a-z]+[_.-][a-z_.-]+\b", " ", plain)  # roles, units and settings keep their names
        if words(plain) & foreign:
            found.append(text)
    return found


def test_no_page_lets_english_through(full):
    """Every page that is read, with everything on it that could be: no word that only English pages use."""
    client, findings = full
    foreign = english_words()
    ids = {"skid": ["tf-1", "tf-3"], "finding": [str(one.id) for one in findings], "prompt": [], "secret": ["x"]}
    told = {}
    paths = _pages(client.app, ids)
    assert len(paths) > 50
    for path in [*paths, *(f"/logbook?write={kind}" for kind in ENTRIES), "/skids/tf-1?span=9d", "/skids/zzz",
                 "/report?of=skid+tf-1&period=2026-03-04"]:  # fmt: skip
        answer = client.get(path, headers={"accept-language": "es"})
        assert '<html lang="es">' in answer.text, path
        if found := leftovers(answer.text, foreign):
            told[path] = found[:8]
    assert told == {}


def test_what_a_form_or_an_address_has_wrong_is_said_in_spanish(signed_in):
    """Each field that cannot be read, several at once too; in English as before."""
    ann, long = signed_in("ann"), "x" * 3000
    csrf = csrf_of(ann.get("/logbook").text)
    event, lab = f"/events/{site.finding().id}/answers", {"kind": "lab", "skid": "tf-1", "unit": "mg/L"}
    span = "/export/file?skid=tf-1&since=2026-03-04&until=2026-03-05"
    tried = [
        ("/events/none", None), ("/report/file", None), ("/report/file?of=fleet&period=2026-03&number=one", None),
        ("/skids/tf-1?end=y", None), (f"{span}&stage=x&policy=y", None), ("/export/file?skid=tf-1&since=then", None),
        (event, {"verb": "x"}), (event, {"verb": "wait", "text": long}), ("/prompts/x/answers", {"verb": "mine"}),
        ("/logbook", {}), ("/logbook", {**lab, "analyte": "oil", "value": "much"}), ("/handover/sign", {"note": long}),
        ("/logbook", {**lab, "analyte": "none", "value": ""}), ("/logbook", {**lab, "analyte": "", "value": "much"}),
    ]  # fmt: skip
    for path, form in tried:
        pages = {}
        for code in ("es", "en"):
            told = {"accept-language": code}
            answer = ann.get(path, headers=told) if form is None else ann.post(
                path, data={**form, "csrf": csrf}, headers=told)  # fmt: skip
            assert answer.status_code == 422, path
            pages[code] = html.unescape(answer.text)
        english = re.compile("[Ii]nput|required|[Ss]tring|needed| or ")
        assert english.search(pages["en"]), path
        told = re.search(r"<p>(.*?)</p>", pages["es"])[1]
        assert english.search(told) is None, f"{path}: {told}"


def test_the_audit_leaves_what_somebody_typed_as_it_was(signed_in):
    """Names and skidhand's own results are told in Spanish; a text that happens to be one of its phrases is not."""
    ada, told = signed_in("ada"), {"accept-language": "es"}
    csrf = csrf_of(ada.get("/logbook").text)
    assert ada.post("/logbook", data={"csrf": csrf, "kind": "note", "text": "oil"}).status_code == 303
    page = plain(ada.get("/audit", headers=told).text)
    assert "texto: oil" in page
    assert "resultado: entró" in page


def test_english_on_a_page_would_be_told(signed_in):
    """The judge above finds an English page full of it."""
    page = signed_in("leo").get("/", headers={"accept-language": "en"}).text
    assert len(leftovers(page, english_words())) > 5


def _pages(app, ids: dict[str, list[str]]) -> list[str]:
    """Every page that answers GET with HTML, with each of its subjects once."""
    files = ("/file", "/dictionary", "/static", "/api", "/language")
    made = []
    for path in sorted(one for one in routes(app) if not any(part in one for part in files)):
        name = re.search(r"{(\w+)}", path)
        made += [path] if name is None else [path.replace(name[0], one) for one in ids[name[1]]]
    return made


def test_alerts_board_and_report_call_a_thing_by_one_name():
    """A text message, the page and the report of one event use one word for the wash, the oil, a slug and a stop."""
    alerts, report = words_for("es"), ReportWords("es")
    for kind, word in (("dp-rise", "retrolavado"), ("oil-carry-over", "aceite"), ("pump-slip", "patina"),
                       ("off-spec", "fuera de especificaci"), ("impulse-line-plugged", "de impulso"),
                       ("freeze-risk", "congelarse")):  # fmt: skip
        assert word in alerts.kinds[kind].what, kind
        assert word in SPANISH.what(kind, "x"), kind
    for cause, word in (("slug", "bache de aceite"), ("oil-slug", "bache de aceite"), ("stuck-skim", "atascado"),
                        ("power", "electricidad"), ("carrier", "red celular"), ("gateway", "pasarela"),
                        ("membrane-damage", "dañada")):  # fmt: skip
        assert word in alerts.causes[cause], cause
        assert word in SPANISH.cause(cause), cause
    assert (alerts.numbers["oil"], SPANISH.number("oil"), report("oil")) == ("aceite", "aceite", "Aceite")
    assert report("backwash_short").lower() == SPANISH("trend.backwash") == "retrolavado"
