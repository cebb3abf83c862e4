"""Every kind's message: one text, GSM letters, its cautions, nothing that is forbidden."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import get_args
from uuid import uuid4

import pytest

from alerts import gsm, routing, wording
from alerts.words import languages, words_in
from skidhand import plugins
from skidhand.fleet import parse_fleet
from skidhand.model.finding import Evidence, Number
from skidhand.model.kinds import INSTRUMENT, KINDS
from skidhand.model.prompt import Prompt, Verb
from tests.alerts.helpers import FLEET, NOON, VERSION, dp_rise, finding

# The longest names that an operator would sensibly give, and typical ones.
WORST = {"skid": "Skid 12", "site": "tansy-12"}
TYPICAL = {"skid": "Skid 1", "site": "tansy-4"}
UNITS = {
    "hydrocyclone": ("cyclone-2", "cyclone"),
    "media_filter": ("filter-12", "filter-a"),
    "reverse_osmosis": ("ro-2", "ro"),
    "filter_press": ("press-2", "press"),
    "weir_tank": ("weir-tank", "weir-tank"),
    "buffer_tank": ("oil-tank-2", "oil-tank"),
    "feed_pump": ("feed-pump", "feed-pump"),
    INSTRUMENT: ("PDT-3012", "PDT-301"),
}
# What each hazard must be heard as, in each language: any one of the words.
HEARD = {
    "en": {
        "pressure": ("prove zero at its gauge", "prove 0 at its gauge", "pressure"),
        "rotation": ("rotating",),
        "auto-start": ("self-start",),
        "chemical": ("chemical",),
        "tank": ("no lone gauging",),
        "norm": ("norm",),
        "h2s": ("h2s",),
    },
    "es": {
        "pressure": ("probar cero en su manometro", "ver 0 en su manometro", "presion"),
        "rotation": ("giran", "rotacion"),
        "auto-start": ("arranca solo",),
        "chemical": ("quimicos",),
        "tank": ("a solas",),
        "norm": ("norm",),
        "h2s": ("h2s",),
    },
}
# Kinds whose work may open something under pressure: its proof of zero must be heard, not only the word.
PROVED = {"en": ("prove zero at its gauge", "prove 0 at its gauge"), "es": ("probar cero en su", "ver 0 en su")}
ANSWERED = {"en": ("Answer 4821", "1seen 2mine 3done"), "es": ("Resp. 4821", "1visto 2mio 3hecho")}


def prompt_for(head, **changes):
    """A prompt about ``head`` alone."""
    base = {
        "id": uuid4(), "code": "4821", "kind": routing.kind_info(head.kind).prompt, "state": "unacknowledged",
        "priority": head.severity, "route": "phone", "site": head.site, "skid": head.skid, "unit": head.unit,
        "root": head.id, "findings": (head.id,), "title": "", "created": NOON, "updated": NOON,
    }  # fmt: skip
    return Prompt.model_validate(base | changes)


def message(head, *others, now=NOON, language="en", repeat=False, **changes):
    """The text about ``head``."""
    prompt = prompt_for(head, **changes)
    return wording.text_of(prompt, [head, *others], VERSION.fleet, now=now, language=language, repeat=repeat)


def example(kind, on, cause, names, *, worst):
    """A finding of ``kind`` on a skid that is named ``names``, with evidence, cause and forecast where it has one."""
    index = 0 if worst else 1
    unit = UNITS.get(on, (on.replace("_", "-"), on.replace("_", "-")))[index]
    numbers = (Number(name="outlet_oil", value=123.4, unit="mg/L"), Number(name="oil_limit", value=60, unit="mg/L"))
    hazards = ("pressure", "h2s", "auto-start") if on == INSTRUMENT else ()
    given = {
        "severity": "high" if worst else "medium", "cause": cause, "evidence": Evidence(numbers=numbers),
        "hazards": hazards, "skid": names["skid"],
    }  # fmt: skip
    made = dp_rise(**given) if kind == "dp-rise" else finding(kind, unit, **given)
    return made.model_copy(update={"site": names["site"], "unit": unit})


CASES = [
    (kind, on, cause)
    for kind, info in KINDS.items()
    for on in info.on
    for cause in (None, *(name for name, _ in info.causes))
]


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize(("kind", "on", "cause"), CASES)
def test_every_kind_keeps_to_the_rules(kind, on, cause, language):
    """One GSM text with first step, cautions of all hazards and code; nothing forbidden; also where names are long."""
    hazards = set(KINDS[kind].hazards) | set(plugins.load("unit_type")[on].member.hazards if on != INSTRUMENT else ())
    for names, worst in ((WORST, True), (TYPICAL, False)):
        head = example(kind, on, cause, names, worst=worst)
        text = message(head, language=language)
        assert gsm.unfit(text) == ""
        assert gsm.septets(text) <= 160
        assert text.startswith(f"{names['skid']} {names['site']} ")
        brief, digits = ANSWERED[language]
        assert text.endswith((f" {brief} {digits}", f" {brief}"))
        assert not wording.FORBIDDEN.search(text)
        words = words_in(language)
        assert words.suggest.format(step=words.kinds[kind].step) in text
        spoken = text.lower()
        carried = hazards | set(head.hazards)
        assert [h for h in carried if not any(word in spoken for word in HEARD[language][h])] == []
        if "pressure" in carried and KINDS[kind].prompt in wording.HANDS_ON:
            assert any(proof in spoken for proof in PROVED[language])


@pytest.mark.parametrize("kind", KINDS)
def test_a_repeat_says_so_and_fits_where_names_are_typical(kind):
    """A copy that may be a second one is marked, and is still one text on a skid of typical names."""
    text = message(example(kind, KINDS[kind].on[0], None, TYPICAL, worst=False), repeat=True)
    assert text.startswith("Repeat. ")
    assert gsm.septets(text) <= 160
    spanish = message(example(kind, KINDS[kind].on[0], None, TYPICAL, worst=False), language="es", repeat=True)
    assert spanish.startswith("Copia. ")


@pytest.mark.parametrize("language", languages())
def test_a_language_has_words_for_everything(language):
    """Every kind and every hazard that a unit type or kind names has words, all in the GSM alphabet."""
    words = words_in(language)
    hazards = {h for p in plugins.load("unit_type").values() for h in p.member.hazards}
    hazards |= {h for info in KINDS.values() for h in info.hazards}
    assert set(words.kinds) == set(KINDS)
    assert hazards <= set(words.cautions)
    assert set(words.priorities) == {"low", "medium", "high"}
    said = [words.gas, words.repeat, *words.weekdays, *words.months, *words.causes.values()]
    said += [text for kind in words.kinds.values() for text in (kind.what, kind.step)]
    said += [words.unclear, words.none_open, words.reminder, words.check_back, words.blind_step, *words.page.values()]
    said += [word for spoken in words.verbs.values() for word in spoken]
    gaps = dict.fromkeys(("code", "verb", "why", "codes", "n", "high", "what", "when", "site", "percent"), "1")
    filled = ("taken", "done_taken", "refused", "which", "summary", "pad", "late", "blind", "work_ends", "sure")
    said += [getattr(words, name).format(**gaps) for name in filled]
    said += [text for pair in (*words.cautions.values(), *words.hands_on.values()) for text in pair]
    assert [text for text in said if gsm.unfit(text.replace("{unit}", ""))] == []
    assert [text for text in said if wording.FORBIDDEN.search(text)] == []
    assert set(words.verbs) == set(get_args(Verb)) - {"unshelve"}


def test_done_never_means_that_it_may_run():
    """What goes back to who says done speaks of the readings, not of running; no word of it is forbidden."""
    for language, readings in (("en", "closes when the readings agree"), ("es", "cuando las lecturas lo confirmen")):
        text = words_in(language).done_taken.format(code="4821", verb="done")
        assert readings in text
        assert not wording.FORBIDDEN.search(text)
        assert not re.search(r"\b(run|start|restart|operar|arrancar|marcha)\b", text)


def test_no_word_of_the_language_files_is_forbidden():
    """The guard knows the phrases that must never be said, in whatever case."""
    for said in (
        "Safe to open",
        "ok to run",
        "gas is clear",
        "Open valve 3",
        "slowly open the vessel",
        "it is safe",
        "you may run it",
        "please restart",
        "no gas",
        "seguro para abrir",
        "Abra la valvula 3",
        "abrir el recipiente",
        "gas libre?",
        "ya puede operar",
        "sin gas",
    ):
        assert wording.FORBIDDEN.search(said), said
    for said in (
        "may self-start",
        "reject check",
        "LOTO, bleed, prove 0 at its gauge",
        "Suggest wash per site procedure.",
        "Sugiere lavado por proc. sitio.",
        "arranca solo",
        "3482 done: noted. It closes when the readings agree.",
    ):
        assert not wording.FORBIDDEN.search(said), said


def test_a_backwash_reads_as_it_should():
    """Skid, site, priority, what and by when with its interval, step, cautions, and how to answer with a digit."""
    assert message(dp_rise()) == (
        "Skid 1 tansy-4 MED: filter-a backwash about 18:40 (17:50-19:30). "
        "Suggest wash per site procedure. Pressure, may self-start, H2S. Answer 4821 1seen 2mine 3done"
    )
    assert message(dp_rise(), language="es") == (
        "Skid 1 tansy-4 MED: filter-a retrolavado sobre 18:40 (17:50-19:30). "
        "Sugiere lavado por proc. sitio. Presion, arranca solo, H2S. Resp. 4821 1visto 2mio 3hecho"
    )


def test_how_sure_it_is_stands_where_there_is_room():
    """A finding without an interval says its confidence before anything less needed; a short one keeps it."""
    head = finding("spec-at-risk", "outlet", confidence=0.87)
    assert "outlet water near its limit since 12:00, 87% sure. " in message(head)
    assert "sure" not in wording.title_of([head], VERSION.fleet, now=NOON)


def test_times_are_the_sites_and_need_a_day_only_when_it_is_another():
    """Today a time, within days its weekday, later the date; an interval's ends stay bare while they are near."""
    tomorrow = dp_rise(NOON + timedelta(hours=20))
    assert "backwash about Tue 08:00 (07:10-08:50)" in message(tomorrow)
    old = finding("off-spec", "outlet", onset=NOON - timedelta(days=20))
    assert "off spec since 10 Feb" in message(old)
    # Clocks went forward in Chicago on 8 March 2026: noon is 17:00 UTC from then on.
    summer = finding("off-spec", "outlet", onset=NOON + timedelta(days=6, hours=-1))
    assert "since 12:00" in message(summer, now=summer.onset)


def test_evidence_gives_way_before_step_and_caution():
    """With names of 32 letters the evidence is gone, and step, cautions and code are whole, in two parts."""
    head = finding("cyclone-efficiency-loss", "c" * 32, cause="gas", hazards=("pressure", "h2s", "auto-start"))
    head = head.model_copy(update={"site": "s" * 32})
    text = message(head)
    assert "gas" not in text
    assert text.endswith(
        "Suggest liner check per site procedure. LOTO, bleed, prove 0 at its gauge, self-starts, H2S. Answer 4821"
    )
    assert len(gsm.parts(text)) == 2


def test_a_grown_prompt_counts_the_others():
    """One message speaks of the root and says how many more hang on it; their hazards are in it too."""
    head = finding("oil-carry-over", "weir-tank")
    text = message(head, finding("split-drift", "cyclone"), dp_rise())
    assert "oil carry-over" in text
    assert "+2 more" in wording.title_of([head, dp_rise(), finding()], VERSION.fleet, now=NOON)
    for hazard in ("no lone gauging", "at its gauge", "H2S"):
        assert hazard in text


def test_lost_data_of_a_pad_name_no_single_skid():
    """Where several skids of one pad have one prompt, it says how many they are instead of the first one's name."""
    silent = [finding("no-data", "skid", skid=skid, site="tansy-4") for skid in ("tf-skid-1", "tf-skid-2")]
    assert message(*silent).startswith("2 skids tansy-4 MED: no data, state unknown since 12:00")
    assert message(silent[0]).startswith("Skid 1 tansy-4 MED: no data")


def test_a_tank_that_skids_share_names_its_site_once():
    """A shared tank speaks in its site's name, which stands in the message once."""
    text = message(finding("tank-filling", "sales-tank", skid="tansy-4", site="tansy-4"))
    assert text.startswith("tansy-4 ")
    assert text.count("tansy-4") == 1


def test_with_gas_nobody_is_sent():
    """A finding made under a gas alarm, on or unknown, suggests nothing and says not to go there."""
    for others in ((), (finding("dp-rise", "filter-a", hazards=("gas-alarm",)),)):
        head = finding(hazards=() if others else ("gas-alarm",))
        text = message(head, *others)
        assert "Do not approach: gas alarm on or unknown. Site emergency plan, supervisor." in text
        assert "Suggest" not in text
        assert gsm.septets(text) <= 160


def test_an_instruments_finding_carries_the_hazards_of_what_it_serves():
    """A pressure transmitter on the cyclone is under pressure; the fleet file says where it sits."""
    assert routing.hazards_of(finding("sensor-frozen", "PT-201"), VERSION.fleet) == {"pressure", "h2s", "auto-start"}
    assert "pressure" not in routing.hazards_of(finding("sensor-frozen", "XX-1"), VERSION.fleet)


def test_a_kind_from_outside_is_worded_with_its_own_step_unless_that_orders():
    """A plug-in's first step is used as it is; one that orders to open something is replaced."""
    kind = "acme-valve-wear"
    assert "Suggest valve check per site procedure." in message(finding(kind, "cyclone", first_step="valve check."))
    text = message(finding(kind, "cyclone", first_step="Open valve 3 and enter"))
    assert "Open" not in text
    assert "Suggest check per site procedure." in text
    assert "acme valve wear" in text


def test_a_name_outside_the_alphabet_is_said_in_its_letters():
    """One letter in a skid's name must not cost the message its 160 letters."""
    fleet = parse_fleet(FLEET.replace("name: Skid 1", "name: Skíd №1")).fleet
    text = wording.text_of(prompt_for(dp_rise()), [dp_rise()], fleet, now=NOON)
    assert text.startswith("Skid No1 tansy-4 MED")


def test_an_unknown_language_is_english():
    """A slip in the roster must not keep anybody from being told."""
    assert message(dp_rise(), language="xx") == message(dp_rise())


@pytest.mark.parametrize(
    ("value", "said"), [(8.1, "8.1"), (12.0, "12"), (123.4, "123"), (12345.6, "12346"), (0.0123, "0.0123"), (0.0, "0")]
)
def test_figures(value, said):
    """Three digits that count and never an exponent."""
    assert wording.figure(value) == said


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((("dp", 8.1, "[psi]"), ("dp_terminal", 12.0, "[psi]")), "dP 8.1 of 12 psi"),
        ((("dp", 8.1, "[psi]"), ("dp_limit", 80.0, "kPa")), "dP 8.1 psi"),
        ((("reject_ratio", 0.01, "1"), ("reject_ratio_expected", 0.02, "1")), "reject 1, usual 2 %"),
        ((("oil", 31.0, "mg/L"), ("steadiness", 0.9, "1"), ("oil_usual", 12.0, "mg/L")), "oil 31, usual 12 mg/L"),
        ((("turbidity", 30.0, "{NTU}"),), "turbidity 30 NTU"),
        ((), ""),
    ],
)
def test_the_value_stands_beside_what_it_is_compared_with(numbers, said):
    """A limit, or what is usual, only in the same unit; units by their short names."""
    given = tuple(Number(name=name, value=value, unit=unit) for name, value, unit in numbers)
    head = finding("off-spec", "outlet", evidence=Evidence(numbers=given))
    expected = f"outlet water off spec, {said} since 12:00" if said else "outlet water off spec since 12:00"
    assert wording.title_of([head], VERSION.fleet, now=NOON) == expected
