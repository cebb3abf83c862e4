"""The roster: who can be called, who is on duty when, and how a call climbs until somebody takes it.

Hours are clock hours of the site (or of the shift's own zone), so a shift from 18:00 to 06:00 is an hour shorter
or longer in the nights in which clocks change, and has no hole then.
"""

from __future__ import annotations

from datetime import date, time
from typing import Annotated, Literal
from zoneinfo import available_timezones

import phonenumbers
from pydantic import AfterValidator, Field, field_validator, model_validator

from skidhand.fleet.strict import Id, Strict
from skidhand.model.kinds import Route, Severity

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Hours = tuple[time, time]
"""From, until; may cross midnight. Equal: the whole day for a shift, none for quiet hours."""


def _zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError(f"time zone {name!r} is unknown; use an IANA name such as 'America/Chicago' or 'UTC'")
    return name


def _number(text: str) -> str:
    """E.164 (ITU-T): a plus sign, country code and number, of a length that the country's plan can have."""
    try:
        number = phonenumbers.parse(text)
    except phonenumbers.NumberParseException as error:
        raise ValueError(f"{text!r} is no E.164 number such as +12025550141: {error}") from error
    if text != phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.E164):
        raise ValueError(f"{text!r} must be written as E.164: plus sign and digits only, such as +12025550141")
    reason = phonenumbers.is_possible_number_with_reason(number)
    if reason != phonenumbers.ValidationResult.IS_POSSIBLE:
        raise ValueError(f"no number of country code +{number.country_code} can be {text!r}: check its length")
    return text


Zone = Annotated[str, AfterValidator(_zone)]
Phone = Annotated[str, Field(pattern=r"^\+[1-9]\d{1,14}$"), AfterValidator(_number)]


class Person(Strict):
    """Somebody who can be sent. ``timezone``: where they are, if not where the site is; their nights count there."""

    id: Id
    name: str
    phone: Phone | None = None
    email: str | None = Field(None, pattern=r"^[^@\s]+@[^@\s]+$")
    language: str = "en"
    timezone: Zone | None = None
    skills: tuple[Id, ...] = Field((), description="what they may do, such as filters or electrics")

    def reachable(self, severity: Severity) -> bool:
        """True when a message of that severity can find them: what may not wait needs a telephone."""
        return self.phone is not None or (severity == "low" and self.email is not None)


class Shift(Strict):
    """Hours in which some people are first in line. A shift belongs to the day on which it begins.

    Either ``people``, or ``crews`` that take turns every ``every`` days from ``start`` on.
    """

    people: tuple[Id, ...] = ()
    crews: tuple[tuple[Id, ...], ...] = ()
    start: date | None = Field(None, description="first day of the first crew")
    every: int = Field(7, ge=1, description="days until the next crew")
    days: tuple[Day, ...] = DAYS
    from_: time = Field(time(0), alias="from")
    to: time = Field(time(0), description="until; equal to from: 24 hours")
    timezone: Zone | None = Field(None, description="of the hours; default: the site's")

    @model_validator(mode="after")
    def _somebody(self) -> Shift:
        if bool(self.people) == bool(self.crews) or not all(self.crews):
            raise ValueError("a shift has either 'people', or 'crews' with somebody in each")
        if self.crews and self.start is None:
            raise ValueError("crews that take turns need a 'start', such as start: 2026-01-05")
        return self

    def crew(self, day: date) -> tuple[str, ...]:
        """Who has the shift that begins on ``day``."""
        if not self.crews or self.start is None:
            return self.people
        return self.crews[(day - self.start).days // self.every % len(self.crews)]


class Duty(Strict):
    """Who is called for which sites and severities (all when none are named), first to last.

    Whoever has a shift comes first; ``people`` come after them, and at all hours.
    """

    people: tuple[Id, ...] = ()
    sites: tuple[Id, ...] = ()
    severities: tuple[Severity, ...] = ()
    shifts: tuple[Shift, ...] = ()

    @model_validator(mode="after")
    def _somebody(self) -> Duty:
        if not self.people and not self.shifts:
            raise ValueError("a duty needs 'people', 'shifts' or both")
        return self


class Cover(Strict):
    """Somebody is away from a day up to and with another (days of the site); ``by`` stands in, if anybody does."""

    person: Id
    by: Id | None = None
    from_: date = Field(alias="from")
    to: date


class Escalation(Strict):
    """When the next person is told, counted from the first message, until somebody takes the prompt.

    The three steps are common practice, no source. ``check_back``: minutes after which whoever took it is asked.
    """

    minutes: tuple[float, ...] = (15.0, 30.0, 45.0)
    check_back: float = Field(120.0, gt=0)

    @field_validator("minutes")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(later <= earlier for earlier, later in zip((0.0, *value), value, strict=False)):
            raise ValueError(f"the steps must rise from above 0, got {list(value)}; none at all: []")
        return value


class Delay(Strict):
    """Of one kind, in minutes: how long it must stand before it is told, be over before it counts as over.

    ``deadband``: a share of the limit. What ended nearer to its limit than that waits an hour before it counts
    as over (a reading that swings about its limit is one prompt, not many).
    """

    on_delay: float = Field(0.0, ge=0)
    off_delay: float = Field(0.0, ge=0)
    deadband: float = Field(0.0, ge=0, lt=1)


QuietHours = dict[Severity, Hours]


class Roster(Strict):
    """People, duties, and all that the fleet file says of calling them."""

    people: tuple[Person, ...] = ()
    duties: tuple[Duty, ...] = ()
    quiet_hours: QuietHours = Field({"low": (time(21), time(6))}, description="per severity; a pair means low")
    routes: dict[str, Route] = Field({})
    escalation: Escalation = Escalation()
    holidays: tuple[date, ...] = Field((), description="worked like Sundays")
    cover: tuple[Cover, ...] = ()
    skills: dict[str, Id] = Field({}, description="finding kind, unit type or prompt kind → the skill it needs")
    dispatcher: Id | None = Field(None, description="who gets order prompts")
    lead_days: float = Field(3.0, ge=0, description="days from order to delivery")
    delays: dict[str, Delay] = Field({}, description="finding kind → on-delay, off-delay, deadband")

    @field_validator("quiet_hours", mode="before")
    @classmethod
    def _pair(cls, value: object) -> object:
        """One pair of hours is the quiet time of what can wait."""
        return {"low": value} if isinstance(value, list | tuple) else value

    @property
    def night(self) -> Hours:
        """The hours in which what can wait for the day waits."""
        return self.quiet_hours.get("low", (time(0), time(0)))

    def person(self, who: str) -> Person | None:
        """The person of that id, phone number or e-mail address."""
        return next((p for p in self.people if who in (p.id, p.phone, p.email)), None)
