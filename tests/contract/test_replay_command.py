"""`sumpside replay` as a person or another program calls it. What the estimate is worth is judged elsewhere."""

import json
import select
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent import replay
from agent.core.outputs import Belief
from tests.contract.test_site_file import SOUND

T0 = 1_750_000_000
DEADLINE_S = 60.0
LATHE = SOUND[SOUND.index("[[sump]]") :].replace("mill-2", "lathe-1").replace("Mill 2", "Lathe 1")


def level(minute: int, sump: str = "mill-2") -> dict:
    """A reading of a sump that falls by 0.02 raw units a minute, with a sawtooth of noise."""
    value = 300.0 - 0.02 * minute + 0.05 * (minute * 7 % 5 - 2)
    return {"time": T0 + 60 * minute, "sump": sump, "signal": "level", "value": value}


def day(minutes: int = 600) -> list[dict]:
    """Two sumps' levels, a running signal, a hand reading and what a person said of an addition."""
    records = [level(m, sump) for m in range(minutes) for sump in ("mill-2", "lathe-1")]
    records += [
        {"time": T0 + 60 * m, "sump": "mill-2", "signal": "running", "value": m // 60 % 2} for m in (0, 60, 120)
    ]
    records += [{"time": T0 + 7200, "sump": "mill-2", "signal": "hand_reading", "value": 4.6, "by": "Ada"}]
    records += [{"time": T0 + 14_400, "sump": "mill-2", "signal": "addition", "volume_l": None, "pct": 2.5}]
    return sorted(records, key=lambda r: r["time"])


def lines(records: list[dict]) -> bytes:
    return b"".join(json.dumps(record).encode() + b"\n" for record in records)


@pytest.fixture
def site(tmp_path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(SOUND + LATHE)
    return path


def call(site: Path, data: bytes, *options: str) -> subprocess.CompletedProcess[bytes]:
    records = site.with_name("records.jsonl")
    records.write_bytes(data)
    command = [sys.executable, "-m", "agent", "replay", str(site), str(records), *options]
    return subprocess.run(command, capture_output=True, timeout=DEADLINE_S)


def outputs(done: subprocess.CompletedProcess[bytes], kind: str | None = None) -> list[dict]:
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    return [row for row in rows if kind is None or row["type"] == kind]


def test_same_input_same_output_byte_for_byte(site):
    first, second = call(site, lines(day())), call(site, lines(day()))
    assert (first.returncode, first.stderr) == (0, b"")
    assert first.stdout == second.stdout
    assert first.stdout.endswith(b"\n")


def test_beliefs_come_for_every_sump_at_whole_multiples(site):
    beliefs = outputs(call(site, lines(day())), "belief")
    hours = [T0 // 3600 * 3600 + 3600 * h for h in range(1, 11)]
    due = [h for h in hours if T0 < h <= T0 + 60 * 599]
    for sump in ("mill-2", "lathe-1"):
        assert [b["time"] for b in beliefs if b["sump"] == sump][: len(due)] == due
    for belief in beliefs:
        assert list(belief) == ["type", *Belief.__dataclass_fields__]
        assert all(belief[k] is not None for k in belief if k.startswith(("strength_", "volume_")))


def test_every_says_how_often(site):
    hourly = len(outputs(call(site, lines(day())), "belief"))
    ten_minutes = outputs(call(site, lines(day()), "--every", "600"), "belief")
    assert all(b["time"] % 600 == 0 for b in ten_minutes)
    assert len(ten_minutes) > 5 * hourly


@pytest.mark.parametrize("minute", [121, 300])
def test_cutting_the_records_changes_nothing_written_before(site, minute):
    whole = call(site, lines(day())).stdout.splitlines()
    cut_at = T0 + 60 * minute
    cut = call(site, lines([r for r in day() if r["time"] <= cut_at])).stdout.splitlines()
    before = [line for line in whole if json.loads(line)["time"] < cut_at]
    assert len(before) > 2
    assert cut[: len(before)] == before


@pytest.mark.parametrize(("options", "code"), [([], 2), (["--lenient"], 0)])
def test_bad_lines_are_told_by_number_and_the_rest_goes_on(site, options, code):
    good = lines(day()).splitlines(keepends=True)
    bad = [b"rubbish\n", b'{"time":1,"sump":"mill-2","signal":"levle","value":1}\n', b"\xff\n"]
    strange = json.dumps(level(3) | {"sump": "mill-9"}).encode() + b"\n"
    mixed = [*good[:10], bad[0], b"\n", *good[10:20], bad[1], strange, *good[20:], bad[2]]
    done = call(site, b"".join(mixed), *options)
    assert done.returncode == code
    assert done.stdout == call(site, b"".join(good)).stdout
    told = done.stderr.decode().splitlines()
    assert [line.split(": ")[1] for line in told[:-1]] == ["line 11", "line 23", "line 24", f"line {len(mixed)}"]
    assert 'unknown signal "levle"' in told[1]
    assert "mill-9" in told[2]
    assert told[-1].endswith(f"4 of {len(mixed)} lines refused")


def test_a_line_without_end_costs_no_more_than_a_line(site):
    long = b'{"time":1,"sump":"' + b"x" * 5_000_000 + b'"}\n'
    good = lines(day(60))
    done = call(site, long + good, "--lenient")
    assert done.stdout == call(site, good).stdout
    assert b"line 1: line of" in done.stderr


def test_other_peoples_line_ends_and_byte_order_marks_change_nothing(site):
    good = lines(day(90))
    assert call(site, b"\xef\xbb\xbf" + good.replace(b"\n", b"\r\n")).stdout == call(site, good).stdout
    assert call(site, good.rstrip(b"\n")).stdout == call(site, good).stdout


def test_dates_mean_the_same_as_seconds(site):
    from datetime import UTC, datetime

    dated = [r | {"time": datetime.fromtimestamp(r["time"], UTC).isoformat()} for r in day(90)]
    assert call(site, lines(dated)).stdout == call(site, lines(day(90))).stdout


def test_no_records_are_no_outputs(site):
    done = call(site, b"")
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


def test_a_faulty_site_is_told_as_check_tells_it(site):
    site.write_text(site.read_text().replace("low_pct = 6.0", "low_pct = 7.5"))
    done = call(site, lines(day(5)))
    assert (done.returncode, done.stdout) == (1, b"")
    assert done.stderr.count(b"\n") == 2
    assert b"fluid.low_pct: 7.5 % is not below target_pct" in done.stderr


@pytest.mark.parametrize("options", [["--every", "0"], ["--every", "nan"], ["--every", "-5"], ["--every", "often"]])
def test_a_senseless_interval_is_refused(site, options):
    done = call(site, lines(day(5)), *options)
    assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 1)


def test_records_that_are_not_there_are_told(site):
    command = [sys.executable, "-m", "agent", "replay", str(site), str(site.with_name("none.jsonl"))]
    done = subprocess.run(command, capture_output=True, timeout=DEADLINE_S)
    assert (done.returncode, done.stdout, done.stderr.count(b"\n")) == (2, b"", 1)


def test_a_reader_that_leaves_early_ends_it_without_a_word(site):
    records = site.with_name("records.jsonl")
    records.write_bytes(lines(day()))
    command = [sys.executable, "-m", "agent", "replay", str(site), str(records), "--every", "1"]
    replay = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    replay.stdout.close()
    assert replay.stderr.read() == b""
    assert replay.wait(DEADLINE_S) == 1


class Driver:
    """Another program that drives a plant against the replay: says records, waits for the mark to come back."""

    def __init__(self, site: Path) -> None:
        command = [sys.executable, "-m", "agent", "replay", str(site), "-"]
        self.replay = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        self.rest = b""

    def say(self, *records: dict) -> None:
        self.replay.stdin.write(lines(list(records)))

    def hear(self) -> dict:
        while b"\n" not in self.rest:
            ready, _, _ = select.select([self.replay.stdout], [], [], DEADLINE_S)
            assert ready, "nothing came"
            piece = self.replay.stdout.read(65_536)
            assert piece, "it ended"
            self.rest += piece
        line, self.rest = self.rest.split(b"\n", 1)
        return json.loads(line)

    def until_mark(self, value: object) -> list[dict]:
        heard = [self.hear()]
        while heard[-1] != {"type": "mark", "value": value}:
            heard.append(self.hear())
        return heard


def test_standard_input_is_answered_as_it_comes(site):
    driver = Driver(site)
    try:
        heard: list[dict] = []
        for hour in range(3):
            minutes = range(60 * hour, 60 * hour + 60)
            driver.say(*(level(m) for m in minutes), {"signal": "mark", "value": {"hour": hour}})
            heard += driver.until_mark({"hour": hour})
        driver.replay.stdin.close()
        heard += [json.loads(line) for line in (driver.rest + driver.replay.stdout.read()).splitlines()]
        assert driver.replay.wait(DEADLINE_S) == 0
    finally:
        driver.replay.kill()
    from_file = outputs(call(site, lines([level(m) for m in range(180)])))
    assert [row for row in heard if row["type"] != "mark"] == from_file


@pytest.mark.parametrize("value", [1, 1.5, "noon", None, [1, 2], {"a": [True]}])
def test_a_mark_comes_back_as_it_went_with_or_without_a_time(site, value):
    marks = [{"signal": "mark", "value": value}, {"time": T0 + 1, "sump": "mill-2", "signal": "mark", "value": value}]
    done = call(site, lines([marks[0], level(0), *marks]))
    assert done.returncode == 0
    assert outputs(done, "mark") == [{"type": "mark", "value": value}] * 3
    assert done.stdout.count(json.dumps(value, separators=(",", ":")).encode()) >= 3


def test_explain_tells_in_words_and_refuses_strangers(site):
    records = site.with_name("records.jsonl")
    records.write_bytes(lines(day()))
    command = [sys.executable, "-m", "agent", "explain", str(site), str(records)]
    at = ["--at", "2025-06-15T18:00:00+00:00"]
    done = subprocess.run([*command, "--sump", "mill-2", *at], capture_output=True, text=True, timeout=DEADLINE_S)
    assert (done.returncode, done.stderr) == (0, "")
    assert " L" in done.stdout
    for wrong in (["--sump", "mill-9", *at], ["--sump", "mill-2", "--at", "noon"]):
        done = subprocess.run([*command, *wrong], capture_output=True, text=True, timeout=DEADLINE_S)
        assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1)


@given(st.lists(st.binary(max_size=40), max_size=20), st.integers(8, 40))
def test_reading_lines_with_a_limit_loses_and_doubles_none(pieces, limit):
    """Each line comes once: whole where it is short enough, else so much of it that it is refused."""
    data = b"\n".join(pieces)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(replay, "MAX_LINE_BYTES", limit)
        got = list(replay._lines(BytesIO(data)))
    whole = list(BytesIO(data))
    assert len(got) == len(whole)
    for number, (line, was) in enumerate(zip(got, whole, strict=True)):
        short = was if number else was.removeprefix(replay.BYTE_ORDER_MARK)
        assert line == short if len(was) <= limit else len(line) > limit
