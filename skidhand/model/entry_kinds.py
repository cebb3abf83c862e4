"""What an entry of each kind holds: fields, units (UCUM codes) and valid ranges.

Ranges keep slips of the pen out (a comma too far, a wrong unit), they judge nothing: common practice, no source,
except where a scale ends by definition.
"""

from __future__ import annotations

from datetime import date
from typing import Any, Final, Literal, Self, get_args
from uuid import uuid4

from pydantic import AwareDatetime, Field, ValidationError, field_validator, model_validator

from skidhand.errors import UserError
from skidhand.model.entry import Datum, Entry, entry_id
from skidhand.model.finding import Shape
from skidhand.units import check_unit, convert, same_dimension

ANALYTES: Final[dict[str, tuple[str, float, float]]] = {
    "oil": ("mg/L", 0, 1e6),
    "suspended-solids": ("mg/L", 0, 5e5),
    "turbidity": ("{NTU}", 0, 2e4),
    "ph": ("[pH]", 0, 14),
    "dissolved-solids": ("mg/L", 0, 4e5),
    "chloride": ("mg/L", 0, 3e5),
    "hardness": ("mg/L", 0, 2e5),
    "iron": ("mg/L", 0, 1e4),
    "barium": ("mg/L", 0, 2e4),
    "sulfate": ("mg/L", 0, 2e4),
    "sulfide": ("mg/L", 0, 5e3),
    "density": ("kg/m3", 900, 1400),
    "conductivity": ("mS/cm", 0, 500),
}
"""Analyte → a unit of its dimension, and the least and most that a result in that unit can be."""

Analyte = Literal[
    "oil", "suspended-solids", "turbidity", "ph", "dissolved-solids", "chloride", "hardness", "iron", "barium",
    "sulfate", "sulfide", "density", "conductivity",
]  # fmt: skip
Resets = Literal["media", "liner", "stator", "membrane", "basket", "cloth", "instrument"]
Short = 128


class Details(Shape):
    """The part of an entry that its kind decides."""

    @field_validator("unit", check_fields=False)
    @classmethod
    def _known_unit(cls, value: str | None) -> str | None:
        if value is not None:
            check_unit(value)
        return value


class Lab(Details):
    """A laboratory result."""

    analyte: Analyte
    value: float
    unit: str = Field(description="UCUM code, such as mg/L")
    less_than: bool = Field(False, description="below the method's detection limit, which is the value")
    method: str = Field("", max_length=Short, description="such as EPA 1664")
    sample_point: str = Field("", max_length=Short, description="where the sample was taken")
    sampled: AwareDatetime | None = Field(None, description="when it was taken; none: the entry's time")

    @model_validator(mode="after")
    def _possible(self) -> Self:
        unit, least, most = ANALYTES[self.analyte]
        if not same_dimension(self.unit, unit) and not (self.unit == "[ppm]" and unit == "mg/L"):
            raise ValueError(f"{self.analyte} is given in a unit like {unit}, not {self.unit}")
        value = self.value if self.unit == "[ppm]" else convert(self.value, self.unit, unit)
        if not least <= value <= most:
            raise ValueError(f"{self.analyte} of {self.value:g} {self.unit} is outside {least:g} to {most:g} {unit}")
        return self


class JarTest(Details):
    """A jar test: the dose that did best, and what the water was then."""

    chemical: str = Field(min_length=1, max_length=Short)
    dose: float = Field(ge=0, le=10_000)
    unit: Literal["mg/L", "[ppm]", "mL/L"] = "mg/L"
    oil: float | None = Field(None, ge=0, le=1e6, description="oil left, mg/L")
    turbidity: float | None = Field(None, ge=0, le=2e4, description="turbidity left, NTU")
    ph: float | None = Field(None, ge=0, le=14)


class Calibration(Details):
    """An instrument held against a reference: what it read as found and as left, and when it is due again."""

    tag: str = Field(min_length=1, max_length=64)
    reference: float | None = Field(None, description="the true value, in unit")
    as_found: float | None = Field(None, description="what it read, in unit")
    as_left: float | None = Field(None, description="what it read afterwards, in unit")
    unit: str | None = Field(None, description="UCUM code; none: the instrument's own")
    due: date | None = Field(None, description="none: by the fleet file's due_days")


class WorkDone(Details):
    """Work on the skid, and the wear that it sets back to new."""

    unit_id: str | None = Field(None, max_length=64, description="the treatment unit")
    tag: str | None = Field(None, max_length=64, description="the instrument")
    resets: Resets | None = Field(
        None, description="what is new (an instrument: cleaned or changed): what was learnt before no longer counts"
    )
    hours: float | None = Field(None, ge=0, le=1000)

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if self.resets == "instrument" and self.tag is None:
            raise ValueError("an instrument that was cleaned or changed needs tag: which one")
        if self.resets not in (None, "instrument") and self.unit_id is None:
            raise ValueError(f"new {self.resets} needs unit_id: which unit it stands in")
        return self


class ChemicalDelivery(Details):
    """Chemical brought to the skid."""

    chemical: str = Field(min_length=1, max_length=Short)
    amount: float = Field(gt=0, le=100_000)
    unit: Literal["L", "m3", "[gal_us]", "[bbl_us]", "kg", "[lb_av]"] = "L"
    unit_id: str | None = Field(None, max_length=64, description="the tank that it went into")
    batch: str = Field("", max_length=Short)


class Truck(Details):
    """A truck's ticket."""

    ticket: str = Field(min_length=1, max_length=64)
    amount: float = Field(gt=0, le=1000)
    unit: Literal["[bbl_us]", "m3", "[gal_us]"] = "[bbl_us]"
    way: Literal["in", "out"] = "out"
    carries: Literal["treated-water", "produced-water", "fresh-water", "oil", "waste"] = "treated-water"


class Waste(Details):
    """Waste that left, or a survey for naturally occurring radioactive material (NORM)."""

    what: Literal["sludge", "spent-media", "filters", "oily-solids", "other", "survey"]
    amount: float | None = Field(None, gt=0, le=1_000_000)
    unit: Literal["kg", "t", "[lb_av]", "m3", "[bbl_us]", "L"] | None = None
    manifest: str = Field("", max_length=64)
    dose_rate: float | None = Field(None, ge=0, le=1e6, description="µSv/h at the surface")
    background: float | None = Field(None, ge=0, le=1e3, description="µSv/h away from it")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.what == "survey" and self.dose_rate is None:
            raise ValueError("a survey needs dose_rate")
        if (self.amount is None) != (self.unit is None):
            raise ValueError("amount and unit belong together")
        return self


class Note(Details):
    """What the next shift should know."""


KINDS: Final[dict[str, type[Details]]] = {
    "lab": Lab,
    "jar-test": JarTest,
    "calibration": Calibration,
    "work": WorkDone,
    "delivery": ChemicalDelivery,
    "truck": Truck,
    "waste": Waste,
    "note": Note,
}
"""Kinds that people write; others (handover, statement) are written by what makes them."""


def make_entry(
    kind: str, at: Any, who: str, *, skid: str | None = None, text: str = "", data: dict[str, Any], once: bool = False
) -> Entry:
    """A checked entry. ``once``: equal content gives an equal id. UserError names the field and what is valid."""
    if kind not in KINDS:
        raise UserError(f"no kind of entry {kind!r}; there are {', '.join(KINDS)}")
    given = {name: value for name, value in data.items() if value not in (None, "")}
    if kind == "note" and not text.strip():
        raise UserError("a note needs its text")
    try:
        details = KINDS[kind].model_validate(given)
        kept: dict[str, Datum] = details.model_dump(mode="json", exclude_none=True)
        kept = {name: value for name, value in kept.items() if value != ""}
        draft = Entry(id=uuid4(), at=at, kind=kind, skid=skid, who=who, text=text.strip(), data=kept)
    except ValidationError as error:
        raise UserError("; ".join(map(_told, error.errors()))) from error
    if not once:
        return draft
    same = entry_id(draft.at.timestamp(), kind, skid, who, draft.text, sorted(kept.items()))
    return draft.model_copy(update={"id": same})


def _told(error: Any) -> str:
    where = ".".join(map(str, error["loc"]))
    message = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        message = "is no field of this kind"
    if error["type"] == "missing":
        message = "is needed"
    shown = f" {error['input']!r}" if where and error["type"] not in ("missing", "extra_forbidden") else ""
    return f"{where}{shown}: {message}" if where else message


def fields_of(kind: str) -> list[dict[str, Any]]:
    """What a form asks for: name, whether it is needed, choices, sort (number, text, date, flag) and remark."""
    found = []
    for name, field in KINDS[kind].model_fields.items():
        choices = _choices(field.annotation)
        found.append({
            "name": name, "needed": field.is_required(), "choices": choices, "sort": _sort(field.annotation),
            "remark": field.description or "", "default": None if field.is_required() else field.default,
        })  # fmt: skip
    return found


def _choices(annotation: Any) -> list[str]:
    parts = [annotation, *get_args(annotation)]
    return [str(c) for part in parts if getattr(part, "__origin__", None) is Literal for c in get_args(part)]


def _sort(annotation: Any) -> str:
    parts = (annotation, *get_args(annotation))
    if float in parts:
        return "number"
    if bool in parts:
        return "flag"
    return "date" if date in parts else "time" if any("Aware" in str(p) for p in parts) else "text"
