"""The GSM modem, both ways through a real gammu-smsd: its dummy telephone stands for the modem."""

from __future__ import annotations

import os
import shutil
import subprocess
from datetime import timedelta

import pytest

from alerts.channels.sms_modem import Modem, SmsModemChannel
from alerts.inbound.desk import Desk
from alerts.inbound.modem import Inbox
from skidhand.errors import ChannelError, ChannelRefusedError
from skidhand.logbook import Logbook
from tests.alerts.conftest import Scene
from tests.alerts.helpers import NOON, dp_rise
from tests.alerts.listening import until
from tests.alerts.test_channels import delivery
from tests.support.needs import missing

ROBIN = "+15550100001"
CONFIG = """
[gammu]
port = {folder}/phone
connection = none
model = dummy
[smsd]
service = files
logfile = {folder}/log
debuglevel = 1
inboxpath = {folder}/inbox/
outboxpath = {folder}/outbox/
sentsmspath = {folder}/sent/
errorsmspath = {folder}/error/
inboxformat = unicode
loopsleep = 1
receivefrequency = 1
checksecurity = 0
checkbattery = 0
checksignal = 0
checknetwork = 0
hangupcalls = 0
"""


@pytest.fixture
def folder(tmp_path):
    """The folders that gammu-smsd wants."""
    for name in ("inbox", "outbox", "sent", "error", *(f"phone/sms/{number}" for number in range(1, 6))):
        (tmp_path / name).mkdir(parents=True)
    return tmp_path


@pytest.fixture
def smsd(folder):
    """The program itself, running on those folders."""
    program = shutil.which("gammu-smsd", path=os.environ.get("PATH", "") + os.pathsep + "/usr/sbin")
    if program is None:
        missing("gammu-smsd", "gammu-smsd")
    (folder / "smsdrc").write_text(CONFIG.format(folder=folder), encoding="utf-8")
    with subprocess.Popen(
        [program, "-c", folder / "smsdrc"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        yield folder
        process.terminate()


def log_of(folder):
    """What the program has said."""
    path = folder / "log"
    return path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""


def received(folder, number, text):
    """A text lies in the dummy telephone's memory, as a network would have put it there."""
    backup = (
        '[SMSBackup000]\nSMSC = ""\nSent = 20260302T180000\nState = UnRead\n'
        f'Number = "{number}"\nNumberUnicode = {number.encode("utf-16-be").hex().upper()}\nName = ""\n'
        f"Text00 = {text.encode('utf-16-be').hex().upper()}\n"
        "Coding = Default_No_Compression\nFolder = 1\nLength = "
        f"{len(text)}\nClass = -1\nReplySMSC = False\nRejectDuplicates = False\nReplaceMessage = 0\n"
    )
    (folder / "phone" / "sms" / "1" / "1").write_text(backup, encoding="utf-8")


def test_the_modems_program_sends_what_the_channel_writes(smsd):
    """Whole, to the right number, letters in 7 bits; a long one in two parts; the outbox is empty."""
    channel = SmsModemChannel(Modem(outbox=smsd / "outbox"))
    channel.send(delivery("Skid 1 {a} 50% [x] é ñ € Answer 4821"))
    channel.send(delivery("long " + "y" * 200))
    assert until(lambda: len(list((smsd / "sent").iterdir())) == 2)
    log = log_of(smsd)
    assert f'Found 1 sms to "{ROBIN}" with text "Skid 1 {{a}} 50% [x] é ñ € Answer 4821" cod 3 ' in log
    assert f'Found 2 sms to "{ROBIN}" with text "long yyy' in log
    assert list((smsd / "outbox").iterdir()) == []
    assert list((smsd / "error").iterdir()) == []


def test_what_the_modem_receives_becomes_an_answer(smsd):
    """The program puts the text into its inbox; it is read once, put aside, and accepted by alerts."""
    with Logbook(f"sqlite:///{smsd / 'logbook.db'}") as logbook:
        scene = Scene(logbook)
        scene.see(dp_rise())
        code = scene.only().code
        channel = SmsModemChannel(Modem(outbox=smsd / "outbox", inbox=smsd / "inbox"))
        received(smsd, ROBIN, f"3 {code} lavado, señor")
        assert until(lambda: list((smsd / "inbox").glob("IN*")), 30), log_of(smsd)
        inbox = Inbox(channel.inbox, Desk(logbook, scene.clock, wait=0), channel.reply)
        assert (inbox.sweep(), inbox.sweep()) == (1, 0)
        scene.run()
        (answer,) = logbook.answers.to(code)
        assert (answer.who, answer.verb, answer.text, answer.state) == ("robin", "done", "lavado señor", "accepted")
        assert len(list((smsd / "inbox" / "read").iterdir())) == 1


def test_parts_are_one_text_and_the_same_file_counts_once(folder):
    """Two parts in order; read again after a crash it is a replay; what is unclear is answered by the outbox."""
    with Logbook(f"sqlite:///{folder / 'logbook.db'}") as logbook:
        scene = Scene(logbook)
        scene.see(dp_rise())
        code = scene.only().code
        channel = SmsModemChannel(Modem(outbox=folder / "outbox", inbox=folder / "inbox"))
        desk = Desk(logbook, scene.clock, wait=0)
        inbox = Inbox(channel.inbox, desk, channel.reply)
        for _ in range(2):
            for part, text in (("01", "washed"), ("00", f"3 {code} ")):
                name = f"IN20260302_180000_00_{ROBIN}_{part}.txt"
                (folder / "inbox" / name).write_bytes(b"\xff\xfe" + text.encode("utf-16-le"))
            assert inbox.sweep() == 1
        assert [answer.text for answer in logbook.answers.to(code)] == ["washed"]
        assert desk.counts == {"taken": 1, "replayed": 1}
        (folder / "inbox" / f"IN20260302_180100_00_{ROBIN}_00.txt").write_text("what now", encoding="utf-8")
        inbox.sweep()
        (reply,) = (folder / "outbox").glob(f"OUTF*_{ROBIN}_*.txt")
        assert reply.read_bytes().decode("utf-16").startswith("Not understood.")


def test_a_modem_that_takes_nothing_is_an_error_and_a_message_is_written_once(folder):
    """The same message again leaves one file; once one has waited for five minutes the next channel is asked."""
    now = [NOON]
    channel = SmsModemChannel(Modem(outbox=folder / "outbox"), lambda: now[0])
    one = delivery(priority="high")
    channel.send(one)
    channel.send(one)
    (path,) = (folder / "outbox").iterdir()
    assert path.name == f"OUTA20260302_180000_00_{ROBIN}_{one.id}.txt"
    os.utime(path, (NOON.timestamp(), NOON.timestamp()))
    now[0] = NOON + timedelta(minutes=6)
    with pytest.raises(ChannelError, match=r"1 messages wait in .* does gammu-smsd run"):
        channel.send(delivery())
    with pytest.raises(ChannelRefusedError, match="no number"):
        channel.send(delivery(address="../../x"))
