"""The closed list of finding kinds: where each arises, the causes told apart, and where it goes by default."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

CauseClass = Literal["equipment", "process", "instrument", "operation"]
Severity = Literal["low", "medium", "high"]
Route = Literal["phone", "phone-by-day", "desk"]
PromptKind = Literal["backwash", "maintenance", "inspect", "order", "data", "call-out"]

INSTRUMENT: Final = "instrument"
"""Stands for a unit type where a finding belongs to one tag instead of a unit."""


@dataclass(frozen=True, slots=True)
class KindInfo:
    """One kind: unit types that it arises on, default route and prompt kind, causes with their class."""

    name: str
    on: tuple[str, ...]
    means: str
    route: Route
    prompt: PromptKind
    causes: tuple[tuple[str, CauseClass], ...] = ()
    hazards: frozenset[str] = frozenset()  # beyond those of the unit type

    @property
    def untold(self) -> CauseClass:
        """Class of a finding whose cause is not known: only an instrument's and what can be nothing else is named.

        Where causes of several classes are listed, nobody is sent to mend equipment that may be well.
        """
        if self.on == (INSTRUMENT,):
            return "instrument"
        listed = {given for _, given in self.causes}
        return UNTOLD.get(self.name) or (listed.pop() if len(listed) == 1 else "process" if listed else "equipment")


TANKS = ("weir_tank", "buffer_tank")
_EQ: Final[CauseClass] = "equipment"
_PR: Final[CauseClass] = "process"
_IN: Final[CauseClass] = "instrument"
_OP: Final[CauseClass] = "operation"

_ALL: Final = (
    KindInfo("strainer-blinding", ("strainer",), "the strainer is blinding", "phone-by-day", "maintenance"),
    KindInfo(
        "oil-carry-over", ("weir_tank",), "oil leaves the tank with the water", "phone", "inspect",
        (("slug", _PR), ("overload", _PR), ("own-return", _OP), ("stuck-skim", _EQ), ("emulsion", _PR),
         ("cold-feed", _PR)),
    ),
    KindInfo(
        "oil-layer-high", ("weir_tank",), "the oil pad is thick", "phone-by-day", "inspect",
        (("stuck-skim", _EQ), ("slug", _PR)),
    ),
    KindInfo("rag-layer", ("weir_tank",), "an emulsion layer grows", "phone-by-day", "inspect",
             (("emulsion", _PR), ("cold-feed", _PR))),
    KindInfo("sludge-build-up", ("weir_tank",), "sludge takes the tank's volume", "desk", "maintenance",
             hazards=frozenset({"norm"})),
    KindInfo("tank-filling", TANKS, "the tank is filling up", "phone", "call-out"),
    KindInfo("tank-emptying", TANKS, "the tank is running empty", "phone", "call-out"),
    KindInfo("level-unexplained", TANKS, "level and flows disagree", "desk", "inspect"),
    KindInfo("pump-slip", ("feed_pump",), "the pump slips", "phone-by-day", "maintenance",
             (("stator-wear", _EQ), ("hot-feed", _PR))),
    KindInfo("dry-running", ("feed_pump",), "the pump seems to run dry", "phone", "call-out",
             (("suction-starved", _EQ),)),
    KindInfo("discharge-blocked", ("feed_pump",), "the pump works against a blocked line", "phone", "call-out"),
    KindInfo(
        "split-drift", ("hydrocyclone",), "the cyclone's split has drifted", "phone", "inspect",
        (("reject-plugging", _EQ), ("reject-back-pressure", _EQ), ("outlet-back-pressure", _PR),
         ("inlet-plugging", _EQ), ("liner-wear", _EQ), ("low-inlet-flow", _PR), ("gas", _PR)),
    ),
    KindInfo(
        "cyclone-efficiency-loss", ("hydrocyclone",), "the cyclone lets more oil through", "phone-by-day", "inspect",
        (("liner-wear", _EQ), ("low-inlet-flow", _PR), ("gas", _PR), ("upstream-shear", _PR)),
    ),
    KindInfo("dp-rise", ("media_filter",), "the filter wants a backwash", "phone", "backwash",
             (("fouling", _OP), ("oil-slug", _PR))),
    KindInfo("incomplete-backwash", ("media_filter",), "the wash did not clean the bed", "phone-by-day", "maintenance",
             (("oil-wet-media", _EQ), ("fouling", _EQ))),
    KindInfo("channelling", ("media_filter",), "water takes a short cut through the bed", "phone-by-day", "inspect",
             (("media-loss", _EQ),)),
    KindInfo("breakthrough", ("media_filter",), "oil or solids break through the bed", "phone", "backwash",
             (("fouling", _OP), ("oil-slug", _PR))),
    KindInfo("underdrain-failure", ("media_filter",), "media leaves with the water", "phone", "call-out"),
    KindInfo("backwash-missed", ("media_filter",), "the controller's wash did not come", "phone", "inspect"),
    KindInfo("backwash-cycling", ("media_filter",), "washes come too often", "phone-by-day", "inspect"),
    KindInfo("backwash-stuck", ("media_filter",), "the wash does not end", "phone", "call-out"),
    KindInfo("chemical-feed-lost", ("chemical",), "chemical is no longer dosed", "phone", "inspect"),
    KindInfo("chemical-low", ("chemical",), "chemical runs out", "phone-by-day", "order"),
    KindInfo("overdose", ("chemical",), "too much chemical is dosed", "phone-by-day", "inspect"),
    KindInfo("gas-lost", ("flotation",), "flotation has lost its gas", "phone", "inspect"),
    KindInfo("membrane-fouling", ("reverse_osmosis",), "the membrane fouls", "phone-by-day", "maintenance",
             (("scaling", _EQ), ("fouling", _EQ))),
    KindInfo("salt-passage-rise", ("reverse_osmosis",), "salt passes the membrane", "phone-by-day", "inspect",
             (("membrane-damage", _EQ),)),
    KindInfo("too-salty-for-ro", ("reverse_osmosis",), "the feed is too salty", "phone-by-day", "inspect"),
    KindInfo("cloth-blinding", ("filter_press",), "the press cloth blinds", "phone-by-day", "maintenance"),
    KindInfo("cloth-torn", ("filter_press",), "the press cloth leaks", "phone", "inspect"),
    KindInfo("off-spec", ("outlet",), "treated water is off specification", "phone", "inspect"),
    KindInfo("spec-at-risk", ("outlet",), "treated water nears its limit", "desk", "inspect"),
    KindInfo("sensor-frozen", (INSTRUMENT,), "a reading does not move any more", "phone-by-day", "maintenance",
             (("frozen", _IN),)),
    KindInfo("sensor-drift", (INSTRUMENT,), "a reading drifts on its own", "phone-by-day", "maintenance",
             (("fouled", _IN),)),
    KindInfo("sensor-noisy", (INSTRUMENT,), "a reading has become noisy", "desk", "maintenance"),
    KindInfo("sensor-out-of-range", (INSTRUMENT,), "a reading is outside its range", "phone-by-day", "maintenance"),
    KindInfo("scale-change", (INSTRUMENT,), "a reading's scale has changed", "desk", "inspect"),
    KindInfo("impulse-line-plugged", (INSTRUMENT,), "a pressure line seems plugged", "phone-by-day", "maintenance",
             (("plugged", _IN),), frozenset({"pressure"})),
    KindInfo(
        "unplanned-stop", ("skid",), "the skid stopped by itself", "phone", "call-out",
        (("power", _OP), ("no-feed", _PR), ("downstream-full", _PR), ("operator", _OP), ("unknown", _OP)),
    ),
    KindInfo("no-data", ("skid",), "no data arrive", "phone", "data",
             (("power", _OP), ("carrier", _OP), ("gateway", _IN), ("unknown", _OP))),
    KindInfo("clock-jump", ("skid",), "a device's clock has jumped", "desk", "data"),
    KindInfo("freeze-risk", ("skid",), "a line may freeze", "phone", "call-out"),
    KindInfo("volumes-disagree", ("skid",), "volumes do not add up", "desk", "inspect"),
    KindInfo("unusual-pattern", ("skid",), "the readings do not fit each other as usual", "desk", "inspect"),
)  # fmt: skip

KINDS: Final[dict[str, KindInfo]] = {info.name: info for info in _ALL}


UNTOLD: Final[dict[str, CauseClass]] = {
    "tank-filling": "process",
    "tank-emptying": "process",
    "level-unexplained": "instrument",
    "backwash-missed": "operation",
    "backwash-cycling": "operation",
    "backwash-stuck": "operation",
    "chemical-low": "operation",
    "overdose": "operation",
    "too-salty-for-ro": "process",
    "off-spec": "process",
    "spec-at-risk": "process",
    "clock-jump": "instrument",
    "freeze-risk": "operation",
    "volumes-disagree": "instrument",
    "unusual-pattern": "process",
}
"""Class of kinds without listed causes that are no matter of the equipment."""


def cause_class(kind: str, cause: str | None) -> CauseClass:
    """The class of a cause as listed, or that of the kind while the cause is not known."""
    info = KINDS[kind]
    return dict(info.causes).get(cause or "") or info.untold
