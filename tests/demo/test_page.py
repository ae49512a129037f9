"""A simulated person at the real pages: signed in, a reading entered, an instruction begun and said to be done."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from agent.core.outputs import Advice
from agent.io.inbox import InboxReader, Word
from agent.io.journal import Journal
from agent.io.simulated import page
from agent.io.simulated.crew import NotTaken
from agent.io.simulated.page import PageVoice, list_people

SITE = Path(page.__file__).parent / "harrow-lane.toml"
NOW = 1_790_000_000.0
TOP_OFF = Advice("a1", NOW, "mill-2", "top_off", 30.0, 2.5, 29.25, 0.75, 330.0, 6.9, 0.2, 0.97, 0.0, "below the mark")


@dataclass
class Office:
    address: str
    inbox: Path
    secrets: dict[str, str]

    def words(self) -> list[Word]:
        return InboxReader(self.inbox).after(0)

    def voice(self) -> PageVoice:
        return PageVoice(self.address, page.SIMULATED, self.secrets[page.SIMULATED])


@pytest.fixture(scope="module")
def office(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    folder = tmp_path_factory.mktemp("office")
    journal = Journal.open(folder / "journal.sqlite")
    journal.event("advice", NOW, "mill-2", "a1", TOP_OFF.row())
    review = {"advice": "a1", "event": "approve", "from": "posted", "to": "approved", "by": "policy", "role": "policy"}
    journal.event("review", NOW, "mill-2", "a1", review)
    command = [sys.executable, "-m", "dashboards", str(SITE), "--port", "0"]
    dirs = ["--state-dir", str(folder), "--inbox-dir", str(folder / "inbox"), "--runtime-dir", str(folder)]
    with subprocess.Popen([*command, *dirs], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            told = process.stdout.readline() + process.stdout.readline()
            address = re.search(r"http://\S+:\d+", told)
            code = re.search(r"\w{5}-\w{5}", told)
            assert address and code, told
            yield Office(address[0], folder / "inbox" / "inbox.sqlite", list_people(address[0], code[0]))
        finally:
            process.terminate()
    journal.close()


def test_everybody_listed_may_sign_in(office: Office) -> None:
    assert set(office.secrets) == set(page.ROLES)
    for name, secret in office.secrets.items():
        PageVoice(office.address, name, secret).say("lathe-1", {"signal": "hand_reading", "value": 6.1})
    said = [word for word in office.words() if word.sump == "lathe-1"]
    assert [(word.person, word.role) for word in said] == list(page.ROLES.items())


def test_a_reading_reaches_the_inbox_as_it_was_read(office: Office) -> None:
    office.voice().say("mill-1", {"signal": "hand_reading", "value": 4.2})
    word = office.words()[-1]
    assert (word.person, word.role, word.sump, word.kind) == (page.SIMULATED, "operator", "mill-1", "record")
    assert (word.body["signal"], word.body["value"]) == ("hand_reading", 4.2)
    assert abs(word.time - time.time()) < 60.0


def test_an_answer_to_a_question_names_what_it_answers(office: Office) -> None:
    office.voice().say("mill-1", {"signal": "addition", "volume_l": 25.0, "pct": 0.0, "of": "f1"})
    body = office.words()[-1].body
    assert (body["volume_l"], body["pct"], body["of"]) == (25.0, 0.0, "f1")


def test_an_instruction_is_begun_and_said_to_be_done(office: Office) -> None:
    voice = office.voice()
    voice.decide("mill-2", "a1", "begin", {})
    begun = office.words()[-1]
    assert (begun.kind, begun.body["advice"], begun.body["action"]) == ("decision", "a1", "begin")
    assert begun.body["seen"]["instruction"] == "a1"


def test_an_instruction_that_is_not_there_is_not_answered(office: Office) -> None:
    before = len(office.words())
    with pytest.raises(NotTaken):
        office.voice().decide("mill-2", "nothing", "begin", {})
    assert len(office.words()) == before


def test_a_wrong_secret_says_nothing(office: Office) -> None:
    with pytest.raises(NotTaken):
        PageVoice(office.address, page.SIMULATED, "000000").say("mill-1", {"signal": "hand_reading", "value": 4.2})
