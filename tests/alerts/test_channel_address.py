"""Each channel says which address it needs; who lacks it is passed over on record, never in silence."""

from __future__ import annotations

from alerts.channels.recording import RecordingChannel
from skidhand.fleet import parse_fleet
from tests.alerts.helpers import FLEET, NOON, dp_rise


class Phone(RecordingChannel):
    """Needs a phone number."""

    name = "phone"
    address = "phone"


class Email(RecordingChannel):
    """Needs an e-mail address."""

    name = "email"
    address = "email"


def told(scene, *channels, fleet=FLEET):
    """One prompt over ``channels``; (channel, person, state, error) of every message on record."""
    scene.logbook.fleets.apply(parse_fleet(fleet), effective=NOON, who="test")
    scene.service = scene.start(*channels)
    done = scene.see(dp_rise())
    rows = scene.logbook.prompts.deliveries()
    return done, {(row.channel, row.person, row.state, row.error) for row in rows}


def test_each_channel_is_given_the_address_that_it_needs(scene):
    """Robin has a phone only: it is used, and what e-mail lacks stands in the logbook."""
    phone, email = Phone(), Email()
    done, rows = told(scene, phone, email)
    assert [one.address for one in phone.sent] == ["+15550100001"]
    assert email.sent == []
    assert rows == {
        ("phone", "robin", "sent", None),
        ("email", "robin", "failed", "robin has no email in the fleet file"),
    }
    assert (done.queued, done.nobody) == (1, 0)


def test_the_next_of_the_duty_is_told_where_the_first_can_not_be(scene):
    """With e-mail alone Robin can't be reached: Sasha is, also in the file; why not Robin is on record."""
    email, file = Email(), RecordingChannel()
    done, rows = told(scene, email, file)
    assert [(one.person, one.address) for one in email.sent] == [("sasha", "sasha@tansyflat.example")]
    assert [one.person for one in file.sent] == ["sasha"]
    assert ("email", "robin", "failed", "robin has no email in the fleet file") in rows
    assert (done.queued, done.nobody) == (2, 0)


def test_where_nobody_can_be_reached_it_is_counted_and_the_file_hears_of_it(scene):
    """No one of the duty has an e-mail address: each is on record, and what needs no address still gets it."""
    email, file = Email(), RecordingChannel()
    done, rows = told(scene, email, file, fleet=FLEET.replace(", email: sasha@tansyflat.example", ""))
    assert email.sent == []
    assert [one.person for one in file.sent] == ["robin"]
    assert {row[1] for row in rows if row[2] == "failed"} == {"robin", "sasha"}
    assert (done.queued, done.nobody) == (1, 1)
