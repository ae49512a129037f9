"""Damaged frames by the ten thousand (a million each in a long run): no decoder hangs, none takes what it must not.

What may be taken is said by oracles that share no line with the decoders: another checksum, another way to read.
A damaged frame whose form and checksum hold by chance cannot be told from a good one by anybody; those are counted.
"""

from __future__ import annotations

import codecs
import json
import random
import re
import struct
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

from agent.wire.ascii_line import Form, Line, LineDecoder, reading_in
from agent.wire.current_loop import raw_at
from agent.wire.delta_sigma import RANGES_V, volts
from agent.wire.modbus import Question, Refusal, RtuAnswer, TcpAnswers, Words
from agent.wire.outcomes import NEED_MORE, Fault
from agent.wire.pointer import number_in, parse, value_at
from agent.wire.registers import number
from tests.io.lines import crc16
from tests.wire.rubbish import damaged, frames, pieces

pytestmark = pytest.mark.timeout(3600)
MOST_EVENTS = 3_000  # of one stream: more is a decoder that goes round in a circle
TEXT_CHECK = re.compile(r"L1 LEVEL (?P<value>[-+]?\d+\.\d) (?P<unit>MM|CM)\*(?P<check>..)")
TEXT = re.compile(r"L1 LEVEL (?P<value>[-+]?\d+\.\d) MM")


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> random.Random:
    """Another one in every run; the seed is in the output of a failure."""
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"seed {seed}")
    return random.Random(seed)


def tell(name: str, counts: Counter[str]) -> None:
    print(f"{name}: " + ", ".join(f"{key} {counts[key]:,}" for key in sorted(counts)))
    assert counts["taken, though wrong"] == 0
    assert counts["good, not taken"] == 0
    assert counts["good"] > 0 and counts["damaged"] > 0


def events(decoder: Any, rng: random.Random, stream: bytes) -> list[Any]:
    told: list[Any] = []
    for piece in pieces(rng, stream):
        decoder.receive(piece)
        while (event := decoder.next_event()) is not NEED_MORE:
            told.append(event)
            assert len(told) < MOST_EVENTS, stream
    return told


# -- Modbus -----------------------------------------------------------------------------------------------------------


def question(rng: random.Random) -> Question:
    function = rng.choice((1, 2, 3, 4, 4, 4))
    return Question(rng.randrange(1, 248), function, rng.randrange(1 << 16), rng.choice((1, 1, 2, 2, 5)))


def answer_body(asked: Question, rng: random.Random) -> bytes:
    size = 2 * asked.count if asked.function > 2 else (asked.count + 7) // 8
    if rng.random() < 0.1:
        return bytes([asked.unit, asked.function + 128, rng.choice((1, 2, 3, 4, 6, 11))])
    return bytes([asked.unit, asked.function, size]) + rng.randbytes(size)


def foreign_body(asked: Question, rng: random.Random) -> bytes:
    """Sound in itself, but no answer to this question: another unit, function or length."""
    other = Question(
        rng.choice([asked.unit, asked.unit % 247 + 1]), rng.choice((1, 2, 3, 4)), 0, rng.choice((1, 2, 5, 9))
    )
    return answer_body(other, rng)


def meaning(asked: Question, body: bytes) -> Words | Refusal | None:
    """What a body says to the question, read bit by bit; None where it is no answer to it."""
    if len(body) == 3 and body[0] == asked.unit and body[1] == asked.function + 128:
        return Refusal(body[2])
    size = 2 * asked.count if asked.function > 2 else -(-asked.count // 8)
    if len(body) != 3 + size or body[0] != asked.unit or body[1] != asked.function or body[2] != size:
        return None
    if asked.function > 2:
        return Words(tuple(256 * body[3 + 2 * i] + body[4 + 2 * i] for i in range(asked.count)))
    bits = "".join(f"{byte:08b}"[::-1] for byte in body[3:])
    return Words(tuple(int(bit) for bit in bits[: asked.count]))


def rtu_meanings(asked: Question, stream: bytes) -> list[Words | Refusal]:
    """Every frame in the stream, at whatever place, whose check bytes fit and that answers the question."""
    found = []
    size = 2 * asked.count if asked.function > 2 else -(-asked.count // 8)
    for length in {3, 3 + size}:
        for at in range(len(stream) - length - 1):
            body = stream[at : at + length]
            if meaning(asked, body) and crc16(body) == stream[at + length : at + length + 2]:
                found.append(meaning(asked, body))
    return [said for said in found if said]


def test_modbus_on_a_serial_line(rng: random.Random, long_run: bool) -> None:
    counts: Counter[str] = Counter()
    for _ in range(frames(long_run)):
        asked = question(rng)
        body = answer_body(asked, rng)
        frame = body + crc16(body)
        other = foreign_body(asked, rng)
        before = rng.choice((b"", b"", rng.randbytes(rng.randrange(6)), other + crc16(other)))
        is_good = rng.random() < 0.2
        stream = before + (frame if is_good else damaged(rng, frame)) + rng.choice((b"", rng.randbytes(3)))
        counts["good" if is_good else "damaged"] += 1
        answers = [e for e in events(RtuAnswer(asked), rng, stream) if isinstance(e, Words | Refusal)]
        may = rtu_meanings(asked, stream)
        counts["taken, though wrong"] += sum(said not in may for said in answers)
        counts["good, not taken"] += is_good and meaning(asked, body) not in answers
        if not is_good and answers:
            untouched = frame in stream or meaning(asked, other) in answers
            counts["taken, frame whole after all" if untouched else "taken, check bytes fit by chance"] += 1
    tell("Modbus RTU", counts)


def tcp_meanings(asked: Question, transaction: int, stream: bytes) -> list[Words | Refusal]:
    """The stream cut by its lengths from its beginning, up to where it is no Modbus any more."""
    found = []
    while len(stream) >= 6:
        number_, protocol, length = (int.from_bytes(stream[i : i + 2], "big") for i in (0, 2, 4))
        if protocol or length < 3 or length > 256 or len(stream) < 6 + length:
            break
        said = meaning(asked, stream[6 : 6 + length])
        if number_ == transaction and said:
            found.append(said)
        stream = stream[6 + length :]
    return found


def test_modbus_over_tcp(rng: random.Random, long_run: bool) -> None:
    counts: Counter[str] = Counter()
    for _ in range(frames(long_run)):
        asked, transaction = question(rng), rng.randrange(1 << 16)
        body = answer_body(asked, rng)
        frame = struct.pack(">HHH", transaction, 0, len(body)) + body
        late = struct.pack(">HHH", (transaction - 1) & 0xFFFF, 0, len(body)) + answer_body(asked, rng)[: len(body)]
        late = late if len(late) == len(frame) else b""
        is_good = rng.random() < 0.2
        stream = rng.choice((b"", late)) + (frame if is_good else damaged(rng, frame))
        counts["good" if is_good else "damaged"] += 1
        decoder = TcpAnswers()
        decoder.expect(asked, transaction)
        answers = []
        for piece in pieces(rng, stream):
            decoder.receive(piece)
            for _ in range(MOST_EVENTS):
                event = decoder.next_event()
                if event is NEED_MORE or decoder.broken:
                    break
                answers.append(event)
            else:
                pytest.fail("goes round in a circle")
        taken = [event for event in answers if isinstance(event, Words | Refusal)]
        may = tcp_meanings(asked, transaction, stream)
        counts["taken, though wrong"] += sum(said not in may for said in taken)
        counts["good, not taken"] += is_good and meaning(asked, body) not in taken
        counts["taken, form held (TCP has its own checksum)"] += bool(taken) and not is_good
    tell("Modbus TCP", counts)


# -- lines ------------------------------------------------------------------------------------------------------------


def plain_number(text: str) -> float | None:
    """[sign] digits . digit, read without regular expressions."""
    sign = -1.0 if text[:1] == "-" else 1.0
    digits = text[1:] if text[:1] in ("-", "+") else text
    whole, point, tenth = digits.partition(".")
    figures = "0123456789"
    if not point or not whole or len(tenth) != 1 or any(c not in figures for c in whole + tenth):
        return None
    return sign * (int(whole) * 10 + int(tenth)) / 10


def line_value(text: str, is_checked: bool) -> float | None:
    """What a line says, by hand."""
    if is_checked:
        text, star, check = text.rpartition("*")
        total = 0
        for c in text:
            total ^= ord(c)
        if not star or len(check) != 2 or check.upper() != f"{total:02X}":
            return None
    words = text.split(" ")
    if len(words) != 4 or words[:2] != ["L1", "LEVEL"] or words[3] not in (("MM", "CM") if is_checked else ("MM",)):
        return None
    value = plain_number(words[2])
    return value if value is None or words[3] == "MM" else value * 10.0


def stream_values(stream: bytes, start: bytes, is_checked: bool) -> list[float]:
    found = []
    for segment in stream.split(b"\r\n")[:-1]:
        if start and start not in segment:
            continue
        text = segment.split(start)[-1] if start else segment
        text = text.strip(b" \t\r\n\x00")
        if all(32 <= byte < 127 for byte in text) and len(segment) <= 512:
            value = line_value(text.decode("ascii"), is_checked)
            found += [] if value is None else [value]
    return found


@pytest.mark.parametrize(("start", "is_checked"), [(b"", False), (b"$", True)])
def test_lines(rng: random.Random, long_run: bool, start: bytes, is_checked: bool) -> None:
    counts: Counter[str] = Counter()
    form = Form(TEXT_CHECK, {"MM": 1.0, "CM": 10.0}, "xor") if is_checked else Form(TEXT)
    for _ in range(frames(long_run)):
        value = rng.randrange(-999, 9999) / 10
        text = f"L1 LEVEL {value:0{rng.choice((5, 6, 7))}.1f} {rng.choice(('MM', 'CM')) if is_checked else 'MM'}"
        total = 0
        for c in text.encode():
            total ^= c
        frame = start + text.encode() + (f"*{total:02X}".encode() if is_checked else b"") + b"\r\n"
        is_good = rng.random() < 0.2
        ahead = b"" if start else b"rear half\r\n"
        stream = ahead + (frame if is_good else damaged(rng, frame)) + rng.choice((b"", frame[: len(frame) // 2]))
        counts["good" if is_good else "damaged"] += 1
        told = events(LineDecoder(start, b"\r\n"), rng, stream)
        readings = [reading_in(event, form) for event in told if isinstance(event, Line)]
        values = [reading for reading in readings if not isinstance(reading, Fault)]
        may = stream_values(stream[len(ahead) :], start, is_checked)
        counts["taken, though wrong"] += sum(value not in may for value in values)
        counts["good, not taken"] += is_good and not values
        counts["taken, form held by chance"] += bool(values) and not is_good
    tell("lines with a checksum" if is_checked else "lines", counts)


# -- messages, registers, converters ----------------------------------------------------------------------------------


def test_messages(rng: random.Random, long_run: bool) -> None:
    counts: Counter[str] = Counter()
    for _ in range(frames(long_run)):
        value = round(rng.uniform(-500, 500), 2)
        payload = json.dumps({"level": {"mm": value, "raw": [1, None, "x"]}, "time": 1.7e9, "ok": True}).encode()
        is_good = rng.random() < 0.2
        stream = payload if is_good else damaged(rng, payload)
        counts["good" if is_good else "damaged"] += 1
        found = value_at(document, "/level/mm") if not isinstance(document := parse(stream), Fault) else document
        taken = found if isinstance(found, Fault) else number_in(found)
        counts["taken, though wrong"] += not isinstance(taken, Fault) and taken != message_value(stream)
        counts["good, not taken"] += is_good and taken != value
        counts["taken, form held by chance"] += not isinstance(taken, Fault) and not is_good
    tell("messages", counts)


def message_value(stream: bytes) -> float | None:
    """The last `"mm"` of an object that stands at the last `"level"`, by the parser's own hook."""
    try:
        document = json.loads(stream.removeprefix(codecs.BOM_UTF8).decode())
        inner = document["level"]["mm"]
        value = float({"true": 1.0, "false": 0.0}.get(str(inner).lower(), inner))
    except (ValueError, KeyError, TypeError, IndexError, UnicodeDecodeError):
        return None
    return value


KINDS: dict[str, Callable[[bytes], float]] = {
    "uint16": lambda data: data[0] * 256 + data[1],
    "int16": lambda data: int.from_bytes(data, "big", signed=True),
    "uint32": lambda data: int.from_bytes(data, "big"),
    "int32": lambda data: int.from_bytes(data, "big", signed=True),
}


def ieee(data: bytes) -> float | None:
    """Single precision by its definition (IEEE 754); None for infinity and not-a-number."""
    bits = int.from_bytes(data, "big")
    sign, exponent, fraction = bits >> 31, bits >> 23 & 0xFF, bits & (1 << 23) - 1
    if exponent == 255:
        return None
    size = fraction * 2.0**-149 if exponent == 0 else (1.0 + fraction * 2.0**-23) * 2.0 ** (exponent - 127)
    return -size if sign else size


def test_registers_loops_and_converters(rng: random.Random, long_run: bool) -> None:
    counts: Counter[str] = Counter()
    for _ in range(frames(long_run)):
        kind = rng.choice([*KINDS, "float32"])
        size = 2 if kind.endswith("16") else 4
        data = rng.choice((rng.randbytes(size), bytes([rng.choice((0, 0x7F, 0x80, 0xFF)) for _ in range(size)])))
        words = [int.from_bytes(data[i : i + 2], "big") for i in range(0, size, 2)]
        words = words + [0] if rng.random() < 0.05 else words
        right = None if len(words) * 2 != size else ieee(data) if kind == "float32" else KINDS[kind](data)
        said = number(words, kind)
        counts["good" if right is not None else "damaged"] += 1
        counts["taken, though wrong"] += not isinstance(said, Fault) and said != right
        counts["good, not taken"] += isinstance(said, Fault) and right is not None
        current = rng.choice((rng.uniform(0.0, 24.0), 3.6, 3.8, 4.0, 20.0, 20.5, 21.0))
        loop = raw_at(current, 0.0, 160.0)
        measures = 3.8 < current < 20.5
        counts["taken, though wrong"] += isinstance(loop, Fault) == measures
        code, range_v = rng.choice((rng.randrange(1 << 16), 0x7FFF, 0x8000)), rng.choice([*RANGES_V])
        volt = volts(code, range_v)
        signed = (code ^ 0x8000) - 0x8000
        ends = signed in (32767, -32768)
        counts["taken, though wrong"] += isinstance(volt, Fault) != ends
        counts["taken, though wrong"] += not ends and volt != signed / 32768 * range_v
    tell("registers, loops, converters", counts)
