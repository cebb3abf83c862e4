"""Logbook and handover pages: who may write what, and that hostile words stay words."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import timedelta
from uuid import uuid4

import pytest

from skidhand.model.entry_kinds import KINDS, make_entry
from skidhand.model.finding import Forecast
from skidhand.model.prompt import Work
from tests.board import site
from tests.board.conftest import csrf_of
from tests.board.site import HOSTILE
from tests.board.test_pages import plain


def test_a_result_is_written_and_found(signed_in, logbook):
    """Who may answer writes a result; it stands under the name that the roster knows, and a search finds it."""
    ann = signed_in("ann")
    csrf = csrf_of(ann.get("/logbook?write=lab").text)
    fields = {
        "csrf": csrf, "kind": "lab", "skid": "tf-1", "analyte": "oil", "value": "12.5", "unit": "mg/L", "text": HOSTILE,
    }  # fmt: skip
    assert ann.post("/logbook", data=fields).status_code == 303
    (entry,) = logbook.entries.all(kind="lab")
    assert (entry.who, entry.data["value"]) == ("robin", 12.5)
    found = ann.get("/logbook?find=oil").text
    assert "12.5" in found
    assert "<script>alert" not in found
    assert ann.post("/logbook", data={**fields, "value": "much"}).status_code == 422
    assert signed_in("leo").get("/logbook?find=nothing-like-it").text.count("12.5") == 0
    assert ann.post("/logbook", data={**fields, "value": "0", "text": "no sheen"}).status_code == 303
    assert "analyte oil; value 0 mg/L" in plain(ann.get("/logbook?find=sheen").text)  # nothing found is a result too


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_has_its_form(signed_in, kind):
    """The form asks for the fields of the model, and no other."""
    text = signed_in("ann").get(f"/logbook?write={kind}").text
    form = text[text.index('action="/logbook">') :]
    names = set(re.findall(r'name="([a-z_]+)"', form[: form.index("</form>")]))
    assert names == {"csrf", "kind", "skid", "at", "text", *KINDS[kind].model_fields}


def test_who_looks_does_not_write(signed_in, logbook):
    """Without the role there is no form, and a post is refused; nobody writes of another site's skid."""
    leo = signed_in("leo")
    assert 'name="kind" value=' not in leo.get("/logbook").text
    csrf = csrf_of(signed_in("ann").get("/logbook").text)
    assert leo.post("/logbook", data={"csrf": csrf, "kind": "note", "text": "x"}).status_code == 403
    assert logbook.entries.all(kind="note") == []
    assert signed_in("cus").get("/logbook").status_code == 403


def test_a_csv_is_taken(signed_in, logbook):
    """Good lines are written, bad ones told with their number."""
    ann = signed_in("ann")
    csrf = csrf_of(ann.get("/logbook").text)
    body = "at,kind,skid,text\n2026-03-02 14:30,note,tf-1,pump hums\nnever,note,tf-1,x\n"
    answer = ann.post("/logbook/import", data={"csrf": csrf}, files={"file": ("a.csv", body, "text/csv")})
    assert answer.status_code == 200, answer.text
    assert "Line 3: at &#39;never&#39;" in answer.text
    assert [one.text for one in logbook.entries.all(kind="note")] == ["pump hums"]


def test_both_shifts_sign(signed_in, logbook):
    """The leaving shift signs with a note, the coming one takes over, and nobody is both."""
    ann, eve = signed_in("ann"), signed_in("eve")
    page = ann.get("/handover").text
    assert "The split of cyclone has drifted, probably the reject plugging" in page
    assert ann.post("/handover/sign", data={"csrf": csrf_of(page), "note": "truck at six"}).status_code == 303
    assert ann.post("/handover/take", data={"csrf": csrf_of(page)}).status_code == 422
    assert eve.post("/handover/take", data={"csrf": csrf_of(eve.get("/handover").text)}).status_code == 303
    assert "eve took over" in eve.get("/handover").text
    assert [one.who for one in logbook.entries.search(kind="handover")] == ["robin"]
    assert "Last handover" not in signed_in("tia").get("/handover").text


def test_the_handover_tells_what_is_set_aside_and_what_falls_due(signed_in, logbook):
    """Shelved until when, out of service until when and why, chemicals by their days, calibrations due, newest note."""
    shelved = site.finding("split-drift", "cyclone", "tf-3", run="s")
    low = site.finding("chemical-low", "coagulant", "tf-1", run="c", severity="low", forecast=Forecast(
        what="empty", when=site.NOW + timedelta(days=3), low=site.NOW + timedelta(days=2),
        high=site.NOW + timedelta(days=4)))  # fmt: skip
    site.put(logbook, shelved, low)
    site.prompt(logbook, shelved, "7003", state="shelved", shelved_until=site.NOW + timedelta(hours=4))
    own = {"skid": "", "site": "", "findings": (), "title": "is blind"}
    site.prompt(logbook, site.finding(run="b"), "7004", state="shelved", **own)
    until = site.NOW + timedelta(hours=2)
    with logbook.prompts.work() as work:
        work.put_work(Work(id=uuid4(), skid="tf-2", who="sasha", why="new media", begins=site.NOW, until=until))
    due = {"tag": "AT-301", "due": "2026-03-06"}
    logbook.entries.add(make_entry("calibration", site.NOW - timedelta(days=80), "robin", skid="tf-1", data=due))
    logbook.entries.add(
        make_entry("note", site.NOW - timedelta(hours=1), "robin", skid="tf-3", text="truck at six", data={})
    )
    text = plain(signed_in("leo").get("/handover").text)
    assert "is blind (7004)" in text
    assert ": is blind" not in text  # skidhand's own prompt is no skid's
    for told in (
        "(7003), until 07:00",
        "Skid 2, until 04:00: sasha, new media",
        "coagulant runs out , Skid 1: 3 d (Sat 03:00)",
        "Skid 1 AT-301: Fri 6 Mar 2026",
        "02:00 Skid 3, robin: truck at six",
        "Next backwashes Skid 2 filter-a : in 2 h",
    ):
        assert told in text, told


def test_a_report_on_the_screen(signed_in):
    """Figures of a site's day; a viewer of one site has no other, and no skid's wanderings."""
    text = signed_in("leo").get("/report?of=skid+tf-1&period=2026-03-04").text
    assert "Not custody transfer" in text
    assert "Treated water out" in text
    tia = signed_in("tia")
    assert tia.get("/report?of=site+tansy-4&period=2026-03-04").status_code == 200
    assert tia.get("/report?of=site+sorrel-2&period=2026-03-04").status_code == 404
    assert tia.get("/report?of=skid+tf-1&period=2026-03-04").status_code == 404
    assert tia.get("/report?of=site+tansy-4&period=March").status_code == 422


def test_a_customer_reads_volumes_and_quality_and_nothing_else(signed_in):
    """Of own sites only, on the page and in every file: no event, cause, call, name or number; staff see them."""
    cus, leo = signed_in("cus"), signed_in("leo")
    query = "of=site+tansy-4&period=2026-03-04"
    hidden = ("reject plugging", "Events", "Calls", "robin", "+1555", "Filter runs", "Oil caught", "Recovery")
    for path in (f"/report?{query}", f"/report/file?{query}&format=html"):
        mine, theirs = cus.get(path).text, leo.get(path).text
        assert "Treated water out" in mine
        assert "On specification, by the analyser" in mine
        assert [word for word in hidden if word in mine] == []
        assert "Calls" in theirs
    with zipfile.ZipFile(io.BytesIO(cus.get(f"/report/file?{query}&format=csv").content)) as files:
        assert sorted(files.namelist()) == ["days.csv", "figures.csv", "quality.csv"]
        assert b"calls" not in files.read("figures.csv")
    for wanted in ("site+sorrel-2", "fleet", "skid+tf-1"):
        for path in ("/report", "/report/file"):
            assert cus.get(f"{path}?of={wanted}&period=2026-03-04").status_code == 404


def test_a_report_is_downloaded_in_the_boards_language(signed_in):
    """PDF, HTML and CSV under a name that says what they are; page and document speak Spanish where asked."""
    leo = signed_in("leo")
    query = "of=skid+tf-1&period=2026-03-04"
    answer = leo.get(f"/report/file?{query}&format=pdf")
    assert answer.content[:5] == b"%PDF-"
    assert answer.headers["content-disposition"] == 'attachment; filename="report-skid-tf-1-2026-03-04.pdf"'
    spanish = {"accept-language": "es"}
    for path in (f"/report?{query}", f"/report/file?{query}&format=html"):
        text = leo.get(path, headers=spanish).text
        assert "Agua tratada entregada" in text
        assert "Treated water" not in text
    assert "No es transferencia de custodia" in text
    assert "reject" not in text  # the event in words too
    assert leo.get(f"/report/file?{query}&format=doc").status_code == 422


def test_a_file_is_exported(signed_in):
    """The form's request gives the rows as a file; other sites' skids are not there, and errors are pages."""
    tia = signed_in("tia")
    assert "AT-301" in tia.get("/export").text
    span = "since=2026-03-04T08:00&until=2026-03-04T09:00"
    answer = tia.get(f"/export/file?skid=tf-1&{span}&series=AT-301&format=csv&resolution=")
    assert answer.headers["content-disposition"] == 'attachment; filename="tf-1-20260304-20260304.csv"'
    assert len(answer.text.splitlines()) == 61
    assert tia.get(f"/export/file?skid=tf-1&{span}&format=xlsx&series=AT-301").content[:2] == b"PK"
    assert tia.get(f"/export/file?skid=tf-2&{span}").status_code == 404
    assert tia.get(f"/export/file?skid=tf-1&{span}&series=XX-1").status_code == 404
    assert tia.get("/export/file?skid=tf-1&since=2025-01-01&until=2026-03-04").status_code == 422
    assert "AT-301,AT-301,mg/L,0.0,100.0" in tia.get("/export/dictionary?skid=tf-1").text
