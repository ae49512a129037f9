"""What the core says, in German and in gallons: every sentence of real replays is known, and says the same."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from agent import doses
from agent.core import dosing
from agent.core import step as core
from agent.core.outputs import Advice, Finding
from agent.core.review import TABLE, NoSuchStep, NotAllowed, apply
from agent.records import Record
from calibration import (
    document,
    force,
    holdup,
    level,
    line,
    makeup,
    monotone,
    pours,
    probe,
    service,
    session,
    shape,
    strength,
)  # fmt: skip
from dashboards.core_patterns import PATTERNS
from dashboards.core_sentences import PLACE, core_text, recognised
from dashboards.language import speaking
from tests.replay.small import SITE, T0, Plant, Pour, drive, hand, in_order, simulate

DAY_S = 86_400.0
H = 3600.0


def days(law: str, seed: int) -> list[Record]:
    """Ten days at a sump that much happens to: pours nobody logged, odd readings, a drain, a leak, words taken back."""
    pours = [
        Pour(30.0, 30.0), Pour(60.0, 25.0, 0.0), Pour(100.0, 22.0, 10.0), Pour(130.0, -25.0, 7.0), Pour(150.0, 35.0),
        Pour(200.0, 20.0),
    ]  # fmt: skip
    plant = Plant(law, pours=pours, leak_l_per_h=0.5, leak_from_h=205.0)
    found = simulate(np.random.default_rng(seed), plant, 240.0, 120.0)
    said = [
        hand(T0 + 20 * H, 4.6), hand(T0 + 64 * H, 4.2), hand(T0 + 80 * H, 7.9), hand(T0 + 104 * H, 4.8),
        Record(T0 + 31 * H, "mill-2", "addition", volume_l=30.0, pct=2.5),
        Record(T0 + 101 * H, "mill-2", "addition", volume_l=22.0),
        Record(T0 + 132 * H, "mill-2", "drained", volume_l=25.0),
        Record(T0 + 155 * H, "mill-2", "titration", value=6.6),
        Record(T0 + 156 * H, "mill-2", "void", record_time=T0 + 80 * H, record_signal="hand_reading"),
        Record(T0 + 230 * H, "mill-2", "recharge", volume_l=190.0, pct=7.0),
    ]  # fmt: skip
    bias = np.random.default_rng(seed + 1).normal(0.0, 0.05, len(found.time))
    inline = [
        Record(float(t), "mill-2", "brix", round(float(p / 1.5 + (1.2 if t > T0 + 6 * DAY_S else 0.0) + e), 2))
        for t, p, e in zip(found.time[::5], found.pct[::5], bias[::5], strict=True)
    ]
    return in_order(found.levels(), found.contact(), inline, said)


def sentences(records: list[Record]) -> Iterator[str]:
    """All that the core says of them: findings, reasons of advice, and its explanation at every quarter."""
    cut = len(records) // 4
    state = None
    for part in range(4):
        run = drive(records[part * cut : (part + 1) * cut + (3 if part == 3 else 0)], SITE, state=state)
        state = run.state
        yield from (o.text for o in run.said if isinstance(o, Finding) and o.text)
        yield from (o.reason for o in run.said if isinstance(o, Advice))
        yield from core.explain(state, "mill-2", state.time, SITE).split("\n")


@pytest.mark.parametrize(("law", "seed"), [("pipes", 3), ("slow", 11)])
def test_every_sentence_of_a_replay_is_known(law: str, seed: int) -> None:
    said = set(sentences(days(law, seed)))
    assert len(said) > 20
    assert sorted(text for text in said if not recognised(text)) == []


def test_a_sentence_keeps_its_numbers_whatever_the_language() -> None:
    for text in set(sentences(days("trough", 5))):
        with speaking("de"):
            numbers = sorted(re.findall(r"\d+(?:,\d+)?", core_text(text).replace("einen", "")))
        assert numbers == sorted(n.replace(".", ",") for n in re.findall(r"\d+(?:\.\d+)?", text)), text


def test_english_and_litres_stay_word_for_word() -> None:
    text = (
        "Strength is about 5.9 %, below the band of 6 to 8.4 %; filling up with a 7.5 % mix brings it to about 7.0 %."
    )
    assert core_text(text) == text


@pytest.mark.parametrize(
    ("text", "german"),
    [
        ("about 38 L went in", "etwa 38 L kamen hinein"),
        ("mill-2: about 38 L went in", "mill-2: etwa 38 L kamen hinein"),
        (
            "The level reaches its low mark of 240 L in about 9 h; filling up with the usual 2.5 % mix brings it to "
            "about 7.0 %. The proportioner, set to 2.5 %, seems to give 2.1 %.",
            "Der Füllstand erreicht die Mindestmarke von 240 L in etwa 9 h; Auffüllen mit der üblichen 2,5‑%‑Mischung "
            "bringt es auf etwa 7,0 %. Das Mischgerät, auf 2,5 % eingestellt, scheint 2,1 % zu geben.",
        ),
        ("done: about 38 L went in", "erledigt: etwa 38 L kamen hinein"),
        (
            "Since the last reading, 5 h ago: 38.0 ± 1.2 L in; 3.2 ± 1.1 L out as water, 1.1 ± 0.9 L out as mix, "
            "2.0 ± 0.5 L leaked: +31.7 ± 2.2 L.",
            "Seit der letzten Messung, vor 5 h: 38,0 ± 1,2 L hinein; 3,2 ± 1,1 L als Wasser hinaus, 1,1 ± 0,9 L als "
            "Mischung hinaus, 2,0 ± 0,5 L ausgelaufen: +31,7 ± 2,2 L.",
        ),
        ("foam on top, says Josef", "foam on top, says Josef"),
        ("The machine cannot be stopped now. foam", "Die Maschine kann jetzt nicht stehen. foam"),
    ],
)
def test_what_it_says_in_german(text: str, german: str) -> None:
    with speaking("de"):
        assert core_text(text) == german


def test_litres_are_told_as_gallons_to_who_reads_gallons() -> None:
    with speaking("en", "us_gallon"):
        assert core_text("about 38 L went in") == "about 10.0 gal went in"
        assert core_text("about 0.5 L an hour goes, running or not: look for a leak") != ""
    with speaking("de", "us_gallon"):
        assert core_text("about 38 L went in") == "etwa 10,0 gal kamen hinein"


def test_refusals_of_the_review_are_known() -> None:
    for state, event in [*TABLE, ("declined", "done")]:
        for role in ("operator", "agent", "policy"):
            try:
                apply(state, event, role)
            except (NotAllowed, NoSuchStep) as why:
                assert recognised(str(why)), why


REFUSING = {"CannotFit", "OutsideCurve", "NotOurs", "DoseRefused"}
SAYS_NO = [
    document,
    force,
    holdup,
    level,
    line,
    makeup,
    monotone,
    pours,
    probe,
    service,
    session,
    shape,
    strength,
    dosing,
    doses,
]


def refusals(module: ModuleType) -> Iterator[str]:
    """Every refusal that a module can say, a 3 in each place whose filling is not known before it runs."""
    for node in ast.walk(ast.parse(Path(module.__file__ or "").read_text())):
        said = node.exc if isinstance(node, ast.Raise) else None
        if isinstance(said, ast.Call) and said.args and ast.unparse(said.func) in REFUSING:
            yield from _texts(said.args[0], vars(module))


def _texts(said: ast.expr, names: dict[str, Any]) -> Iterator[str]:
    if isinstance(said, ast.Constant):
        yield str(said.value)
    elif isinstance(said, ast.JoinedStr):
        yield "".join(_part(part, names) for part in said.values)


def _part(part: ast.expr, names: dict[str, Any]) -> str:
    if isinstance(part, ast.Constant):
        return str(part.value)
    assert isinstance(part, ast.FormattedValue)
    known = names.get(part.value.id) if isinstance(part.value, ast.Name) else None
    told = 3 if known is None else known
    return f"'{told}'" if part.conversion == ord("r") else f"{told}"


@pytest.mark.parametrize("module", SAYS_NO, ids=lambda module: module.__name__)
def test_no_refusal_of_a_calibration_or_a_valve_lacks_its_german(module: ModuleType) -> None:
    assert [text for text in refusals(module) if not recognised(text)] == []


def test_every_module_that_refuses_is_looked_at() -> None:
    found = Path(document.__file__).parent.glob("*.py")
    saying = {
        path.stem for path in found if "raise CannotFit(" in path.read_text() or "raise NotOurs(" in path.read_text()
    }
    assert saying <= {module.__name__.rpartition(".")[2] for module in SAYS_NO}
    assert sum(len(list(refusals(module))) for module in SAYS_NO) > 40


def test_no_pattern_stands_twice_and_all_have_names_of_their_own() -> None:
    assert len(set(PATTERNS)) == len(PATTERNS)
    for pattern in PATTERNS:
        names = PLACE.findall(pattern)
        assert len(set(names)) == len(names), pattern
