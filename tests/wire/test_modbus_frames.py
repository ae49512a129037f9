"""Modbus frames: known ones byte for byte, answers whole and byte by byte, and what is no answer."""

from __future__ import annotations

import pytest

from agent.wire.modbus import (
    MOST_HELD_BYTES,
    Question,
    Refusal,
    RtuAnswer,
    TcpAnswers,
    Words,
    crc,
    rtu_request,
    tcp_request,
)
from agent.wire.outcomes import NEED_MORE, Fault
from tests.io.lines import crc16, input_answer

ASKED = Question(unit=17, function=3, address=107, count=3)
BODY = bytes.fromhex("11 03 06 02 2B 00 00 00 64")
HOLDS = Words((0x022B, 0, 0x0064))


def test_a_question_is_the_standards_example() -> None:
    assert rtu_request(ASKED) == bytes.fromhex("11 03 00 6B 00 03 76 87")
    assert tcp_request(ASKED, 0x1501) == bytes.fromhex("15 01 00 00 00 06 11 03 00 6B 00 03")


def test_check_bytes_agree_with_those_made_bit_by_bit() -> None:
    for size in range(40):
        frame = bytes(7 * i + size & 0xFF for i in range(size))
        assert crc(frame) == crc16(frame)


@pytest.mark.parametrize("before", [b"", b"\x00", b"\x11", b"\x11\x03", input_answer(5, 1, 2)])
def test_an_answer_whole_byte_by_byte_and_after_rubbish(before: bytes) -> None:
    stream = before + BODY + crc16(BODY)
    whole, single = RtuAnswer(ASKED), RtuAnswer(ASKED)
    whole.receive(stream)
    events = [whole.next_event()]
    for byte in stream[:-1]:
        single.receive(bytes([byte]))
        assert not isinstance(single.next_event(), Words | Refusal)
    single.receive(stream[-1:])
    assert [*events, single.next_event()] == [HOLDS, HOLDS]
    assert whole.next_event() is NEED_MORE


def test_a_refusal_is_an_answer() -> None:
    answer, body = RtuAnswer(ASKED), bytes([17, 0x83, 2])
    answer.receive(body + crc16(body))
    assert answer.next_event() == Refusal(2)


def test_bits_are_counted_from_the_lowest() -> None:
    answer, body = RtuAnswer(Question(1, 2, 0, 10)), bytes([1, 2, 2, 0b0000_0101, 0b10])
    answer.receive(body + crc16(body))
    assert answer.next_event() == Words((1, 0, 1, 0, 0, 0, 0, 0, 0, 1))


def test_rubbish_is_told_once_and_held_within_bounds() -> None:
    answer = RtuAnswer(ASKED)
    told = []
    for _ in range(100):
        answer.receive(b"\x11\x03\x06" * 40)
        told.append(answer.next_event())
    assert isinstance(told[0], Fault) and set(map(type, told[1:])) == {type(NEED_MORE)}
    assert len(answer._data) <= MOST_HELD_BYTES
    answer.receive(BODY + crc16(BODY))
    assert answer.next_event() == HOLDS


def tcp(transaction: int, body: bytes = BODY) -> bytes:
    return transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


def test_over_tcp_the_number_decides() -> None:
    answers = TcpAnswers()
    answers.expect(ASKED, 8)
    answers.receive(tcp(7) + tcp(8)[:5])
    assert answers.next_event() is NEED_MORE
    answers.receive(tcp(8)[5:] + tcp(9))
    assert answers.next_event() == HOLDS
    assert (answers.next_event(), answers.passed_over) == (NEED_MORE, 2)


def test_half_a_late_answer_does_not_disturb_the_next_one() -> None:
    answers = TcpAnswers()
    answers.expect(ASKED, 1)
    answers.receive(tcp(1)[:9])
    assert answers.next_event() is NEED_MORE
    answers.expect(ASKED, 2)
    answers.receive(tcp(1)[9:] + tcp(2))
    assert answers.next_event() == HOLDS


@pytest.mark.parametrize("body", [BODY[:-1], BODY + b"\0", b"\x12" + BODY[1:], b"\x11\x04" + BODY[2:], b"\x11\x03\x05"])
def test_over_tcp_another_body_is_no_answer(body: bytes) -> None:
    answers = TcpAnswers()
    answers.expect(ASKED, 1)
    answers.receive(tcp(1, body))
    assert isinstance(answers.next_event(), Fault)


def test_a_stream_that_is_no_modbus_stays_broken() -> None:
    answers = TcpAnswers()
    answers.expect(ASKED, 1)
    answers.receive(b"HTTP/1.1 400\r\n")
    assert isinstance(answers.next_event(), Fault) and answers.broken
    answers.receive(tcp(1))
    assert isinstance(answers.next_event(), Fault)


@pytest.mark.parametrize(
    "place", [(1, 5, 0, 1), (1, 3, 0, 0), (1, 3, 0, 126), (1, 1, 0, 2001), (256, 3, 0, 1), (1, 3, 65_536, 1)]
)
def test_what_the_standard_does_not_know_is_not_asked(place: tuple[int, int, int, int]) -> None:
    """Function 5 writes: there is no way to say it."""
    with pytest.raises(ValueError):
        Question(*place)
