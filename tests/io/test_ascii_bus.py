"""A line of text over a real pseudo-terminal becomes a reading, and nothing else does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.io.buses import ascii_bus, listening
from tests.io.lines import Plug, wait_for


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    line = Plug(tmp_path / "by-id")
    yield line
    line.unplug()


def test_a_line_that_comes_by_itself_becomes_a_reading(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, {"scale": 2.0, "offset": 1.0}, simulated=True)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"half a line 99\r\nL 120.5 MM\r\n")
        wait_for(lambda: heard.readings, "a reading")
        (reading,) = heard.readings
        assert (reading.sump, reading.signal, reading.value, reading.simulated) == ("lathe-1", "level", 242.0, True)
        assert heard.bus.status()["ok"]


def test_the_rear_half_of_a_line_is_never_taken_for_a_number(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, {"pattern": r"(?P<value>\d+\.\d)"})) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"20.5\r\n")  # of 120.5: the port was opened in the middle
        plug.send(b"121.5\r\n")
        wait_for(lambda: heard.readings, "a reading")
        assert heard.values() == [121.5]


def test_rubbish_is_told_and_the_next_line_is_read(plug: Plug) -> None:
    with listening(ascii_bus(plug.path)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\nL 12\xff.5 MM\r\n")
        wait_for(lambda: "not text" in heard.text, "the fault to be told")
        assert not heard.bus.status()["ok"]
        plug.send(b"L 120.5 MM\r\n")
        wait_for(lambda: heard.values() == [120.5], "the good line")
        assert heard.bus.status()["ok"]


def test_a_transmitter_that_talks_fast_gives_one_reading_a_period(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, period_s=3600.0)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\n" + b"L 120.5 MM\r\n" * 500 + b"end of it\r\n")
        wait_for(lambda: "end of it" in heard.text, "all of it to be heard")
        assert heard.values() == [120.5]


def test_lines_that_were_held_up_and_come_in_a_bunch_are_all_read(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, period_s=0.05)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\nL 1.0 MM\r\n")
        wait_for(lambda: "nothing for" in heard.text, "some periods to pass")
        plug.send(b"L 2.0 MM\r\nL 3.0 MM\r\nL 4.0 MM\r\n")
        wait_for(lambda: heard.values() == [1.0, 2.0, 3.0, 4.0], "the bunch")
        times = [reading.time for reading in heard.readings]
        assert times == sorted(set(times))


def test_one_line_may_carry_two_signals(plug: Plug) -> None:
    level = {"pattern": r"L (?P<value>\d+\.\d) T \d+\.\d"}
    temperature = {"pattern": r"L \d+\.\d T (?P<value>\d+\.\d)", "signal": "temperature"}
    with listening(ascii_bus(plug.path, level, temperature)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\nL 120.5 T 24.5\r\n")
        wait_for(lambda: len(heard.readings) == 2, "both readings")
        assert (heard.values("level"), heard.values("temperature")) == ([120.5], [24.5])


def test_a_transmitter_that_must_be_asked_is_asked(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, {"poll": "?L\r"})) as heard:
        assert plug.receive(3) == b"?L\r"
        plug.send(b"L 130.0 MM\r\n")
        wait_for(lambda: heard.values() == [130.0], "the answer")


def test_an_echo_of_the_question_is_no_answer(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, {"poll": "?L\r\n"}, timeout_s=2.0)) as heard:
        plug.receive(4)
        plug.send(b"?L\r\nL 130.0 MM\r\n")
        wait_for(lambda: heard.values() == [130.0], "the answer")


def test_a_late_answer_is_not_credited_to_the_next_question(plug: Plug) -> None:
    """Two sensors of one device on a line: the first answers after its time, in the silence that is waited out."""
    one = {"poll": "?1\r", "pattern": r"(?P<value>\d+\.\d)"}
    two = {"poll": "?2\r", "pattern": r"(?P<value>\d+\.\d)", "signal": "temperature"}
    with listening(ascii_bus(plug.path, one, two, timeout_s=1.0)) as heard:
        assert plug.receive(3) == b"?1\r"
        wait_for(lambda: heard.bus.health.faults == 1, "the agent to give the answer up")
        plug.send(b"111.1\r\n")
        for number in (22.1, 22.2):  # asked twice: the first might be the other's
            assert plug.receive(3) == b"?2\r"
            plug.send(f"{number}\r\n".encode())
        wait_for(lambda: heard.values("temperature"), "the second sensor")
        assert heard.values("temperature") == [22.2]
        assert heard.values("level") == []


def test_a_silent_transmitter_is_named(plug: Plug) -> None:
    with listening(ascii_bus(plug.path, {"poll": "?L\r"})) as heard:
        wait_for(lambda: "lathe-1 level: no answer" in heard.text, "the fault to be told")
        assert not heard.bus.status()["ok"]


def test_a_line_that_falls_silent_is_told(plug: Plug) -> None:
    with listening(ascii_bus(plug.path)) as heard:
        wait_for(lambda: "lathe-1 level: nothing for" in heard.text, "the silence to be told")
        assert not heard.bus.status()["ok"]


def test_lines_that_fit_none_of_several_are_told_beside_the_silence(plug: Plug) -> None:
    """A pattern must fit the whole line; who forgot that would look for a broken wire."""
    sensors = ({"pattern": r"L (?P<value>\d+\.\d)"}, {"pattern": r"T (?P<value>\d+\.\d)", "signal": "temperature"})
    with listening(ascii_bus(plug.path, *sensors)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\nL 120.5 T 24.5\r\n")
        wait_for(lambda: "lathe-1 temperature: nothing for" in heard.text, "the silence to be told")
        wait_for(lambda: "does not fit the line 'L 120.5 T 24.5'" in heard.text, "what came instead")


def test_a_port_that_is_pulled_and_put_back_is_read_again(plug: Plug) -> None:
    with listening(ascii_bus(plug.path)) as heard:
        wait_for(lambda: heard.bus.health.port_open, "the port to be open")
        plug.send(b"\r\nL 120.5 MM\r\n")
        wait_for(lambda: heard.values() == [120.5], "the first reading")
        for number in (121.5, 122.5):
            opened = heard.bus.health.openings
            plug.unplug()
            wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
            assert not heard.bus.status()["ok"]
            plug.plug()
            wait_for(lambda before=opened: heard.bus.health.openings > before, "the port to be opened again")
            plug.send(f"\r\nL {number} MM\r\n".encode())
            wait_for(lambda n=number: heard.values()[-1] == n, "a reading from the new port")


def test_a_port_that_was_never_there_is_told_with_its_name(tmp_path: Path) -> None:
    with listening(ascii_bus(tmp_path / "nothing")) as heard:
        wait_for(lambda: "nothing" in heard.text, "the port to be named")
        assert not heard.bus.status()["ok"]


def test_a_port_another_program_holds_is_not_shared(plug: Plug) -> None:
    with listening(ascii_bus(plug.path)) as first:
        wait_for(lambda: first.bus.health.port_open, "the first to have it")
        with listening(ascii_bus(plug.path)) as second:
            wait_for(lambda: "lock" in second.text, "the second to be refused")
