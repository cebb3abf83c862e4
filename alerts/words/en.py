"""English."""

from __future__ import annotations

from typing import Final

from alerts.words.base import KindWords, Words

_KINDS: Final = {
    "strainer-blinding": KindWords("{unit} blinding", "strainer cleaning"),
    "oil-carry-over": KindWords("{unit} oil carry-over", "skim and inflow check"),
    "oil-layer-high": KindWords("{unit} thick oil pad", "skim check"),
    "rag-layer": KindWords("{unit} rag layer growing", "chemical and heat check"),
    "sludge-build-up": KindWords("{unit} sludge build-up", "clean-out plan"),
    "tank-filling": KindWords("{unit} filling up", "inflow and outlet check"),
    "tank-emptying": KindWords("{unit} running empty", "inflow and pump check"),
    "level-unexplained": KindWords("{unit} level and flows disagree", "level and meter check"),
    "pump-slip": KindWords("{unit} slips", "stator check"),
    "dry-running": KindWords("{unit} runs dry?", "stop check"),
    "discharge-blocked": KindWords("{unit} line blocked", "line check"),
    "split-drift": KindWords("{unit} split drift", "reject check"),
    "cyclone-efficiency-loss": KindWords("{unit} oil removal down", "liner check"),
    "dp-rise": KindWords("{unit} backwash", "wash"),
    "incomplete-backwash": KindWords("{unit} wash incomplete", "wash check"),
    "channelling": KindWords("{unit} channelling", "media check"),
    "breakthrough": KindWords("{unit} breakthrough", "wash"),
    "underdrain-failure": KindWords("{unit} loses media", "media check"),
    "backwash-missed": KindWords("{unit} wash missed", "control check"),
    "backwash-cycling": KindWords("{unit} washes too often", "wash check"),
    "backwash-stuck": KindWords("{unit} wash stuck", "wash check"),
    "chemical-feed-lost": KindWords("{unit} dosing lost", "dose pump and level check"),
    "chemical-low": KindWords("{unit} running low", "order and delivery check"),
    "overdose": KindWords("{unit} overdosing", "dose rate check"),
    "gas-lost": KindWords("{unit} gas lost", "recycle check"),
    "membrane-fouling": KindWords("{unit} membrane fouling", "cleaning plan"),
    "salt-passage-rise": KindWords("{unit} salt passage up", "seal check"),
    "too-salty-for-ro": KindWords("{unit} feed too salty", "feed check"),
    "cloth-blinding": KindWords("{unit} cloth blinding", "cloth check"),
    "cloth-torn": KindWords("{unit} cloth leaks", "cloth check"),
    "off-spec": KindWords("{unit} water off spec", "sample and divert check"),
    "spec-at-risk": KindWords("{unit} water near its limit", "sample"),
    "sensor-frozen": KindWords("{unit} reading frozen", "sensor check"),
    "sensor-drift": KindWords("{unit} reading drifts", "sensor check"),
    "sensor-noisy": KindWords("{unit} reading noisy", "sensor check"),
    "sensor-out-of-range": KindWords("{unit} out of range", "sensor check"),
    "scale-change": KindWords("{unit} scale changed", "range check"),
    "impulse-line-plugged": KindWords("{unit} line plugged?", "tubing check"),
    "unplanned-stop": KindWords("stopped by itself", "power and trip check"),
    "no-data": KindWords("no data, state unknown", "power and gateway check"),
    "clock-jump": KindWords("device clock jumped", "gateway clock check"),
    "freeze-risk": KindWords("a line may freeze", "heat trace and flow check"),
    "volumes-disagree": KindWords("volumes do not add up", "meter check"),
    "unusual-pattern": KindWords("unusual pattern of readings", "trend review"),
}  # fmt: skip

_CAUSES: Final = {
    "fouling": "",  # what the kind says already
    "stuck-skim": "skim stuck?",
    "own-return": "own return water?",
    "cold-feed": "cold feed?",
    "reject-back-pressure": "reject back-pressure?",
    "outlet-back-pressure": "outlet back-pressure?",
    "oil-wet-media": "oil-wet media?",
    "no-feed": "no feed?",
    "downstream-full": "tank behind it full?",
    "unknown": "cause unknown",
}

WORDS: Final = Words(
    kinds=_KINDS,
    other=KindWords("{unit} {kind}", "check"),
    causes=_CAUSES,
    numbers={"dp": "dP", "pdr": "PDR", "reject_ratio": "reject", "outlet_oil": "oil", "oil": "oil"},
    priorities={"low": "LOW", "medium": "MED", "high": "HIGH"},
    cautions={
        "pressure": ("pressure", "pressure"),
        "rotation": ("rotating parts", "rotating"),
        "auto-start": ("may self-start", "self-starts"),
        "chemical": ("chemicals, see SDS", "chemicals"),
        "tank": ("no lone gauging", "no lone gauging"),
        "norm": ("NORM", "NORM"),
        "h2s": ("H2S", "H2S"),
    },
    # LOTO: lock-out/tag-out, which is isolating, locking and tagging (29 CFR 1910.147).
    hands_on={"pressure": ("isolate, lock, bleed, prove zero at its gauge", "LOTO, bleed, prove 0 at its gauge")},
    weekdays=("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"),
    months=("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
    suggest="Suggest {step} per site procedure.",
    answer="Answer {code}",
    repeat="Repeat. ",
    gas="Do not approach: gas alarm on or unknown. Site emergency plan, supervisor.",
    about=" about {when} ({low}-{high})",
    about_short=" about {when}",
    since=" since {when}",
    since_short=" {when}",
    of="{value} of {limit}",
    more="+{n} more",
)
