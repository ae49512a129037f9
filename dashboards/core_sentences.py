"""What the core says, in people's language and units: its English sentences as patterns, and back.

The core speaks English and litres, whoever listens: it must say the same in every replay. Here each of its sentences
stands as a pattern, which is the key of the catalogue as well. A name in a pattern tells what stands there: `…_l` a
volume with its unit, `…_lnum` one without, `…_text` another sentence of the core, `…_list` several with commas
between, `…_name` anything, taken over as it is; every other one is a number. What fits no pattern is shown as the core
said it. A test replays whole plants and demands that nothing of what is said is unknown here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache, lru_cache

from dashboards import language
from dashboards.core_patterns import PATTERNS
from dashboards.language import ENGLISH, _, localised

L_PER_US_GALLON = 3.785411784  # by definition
NUMBER = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
PLACE = re.compile(r"\{(\w+)\}")
MOST_KEPT = 4_096  # translated sentences
DEEPEST = 6  # sentences within sentences
SENTENCE_END = re.compile(r"(?<=[.?!]) +(?=\S)")
SAME_AS_OF_PAGES = (" of the core", " (sensor)")  # tells a key from one that the pages use in another sense


@dataclass(frozen=True, slots=True)
class Pattern:
    """One sentence: the catalogue's key, and what it looks like."""

    key: str
    shape: re.Pattern[str]
    names: tuple[str, ...]


def core_text(text: object) -> str:
    """A sentence of the core as a person reads it; one that is unknown, as the core said it."""
    plain = str(text or "")
    if not plain or (language.spoken() == ENGLISH and language.units() == "litre"):
        return plain
    return _whole(plain, language.spoken(), language.units())


def recognised(text: str) -> bool:
    """Whether every sentence of a text is known."""
    return all(_read(part) is not None for line in text.split("\n") for part in _sentences(line))


@lru_cache(maxsize=MOST_KEPT)
def _whole(text: str, spoken: str, units: str) -> str:
    lines = [" ".join(_said(part) for part in _sentences(line)) for line in text.split("\n")]
    return "\n".join(lines)


def _sentences(line: str) -> list[str]:
    return SENTENCE_END.split(line) if line and _read(line) is None else [line] if line else []


def _said(text: str) -> str:
    found = _read(text)
    return text if found is None else found


def _read(text: str, depth: int = 0) -> str | None:
    """The sentence in the language and units of who reads, None where it fits no pattern."""
    if depth > DEEPEST:
        return None
    stop = text[-1:] if text.endswith((".", "!")) and not text.endswith("…") else ""
    bare = text[: len(text) - len(stop)]
    for pattern in _patterns():
        match = pattern.shape.fullmatch(bare)
        if match is None:
            continue
        values = {name: _value(name, match.group(name), depth) for name in pattern.names}
        if None not in values.values():
            return _shown(pattern, values) + stop
    return None


def _shown(pattern: Pattern, values: dict[str, str | None]) -> str:
    found = _(pattern.key)
    for ending in SAME_AS_OF_PAGES:
        found = found.removesuffix(ending)
    return found.format(**values) if values else found


def _value(name: str, text: str, depth: int) -> str | None:
    if name.endswith("_l"):
        return _volume(text.removesuffix(" L")) + (" gal" if language.units() == "us_gallon" else " L")
    if name.endswith("_lnum"):
        return _volume(text)
    if name.endswith("_text"):
        return _read(text, depth + 1)
    if name.endswith("_list"):
        parts = [_read(part, depth + 1) for part in text.split(", ")]
        return None if None in parts else ", ".join(part for part in parts if part is not None)
    return text if name.endswith("_name") else localised(text)


def _volume(number: str) -> str:
    """Litres as they stand, or gallons with a decimal more."""
    if language.units() != "us_gallon":
        return localised(number)
    digits = len(number.partition(".")[2]) + 1
    sign = "+" if number.startswith("+") else ""
    return sign + language.decimal(float(number) / L_PER_US_GALLON, digits)


@cache
def _patterns() -> tuple[Pattern, ...]:
    """Those with most words of their own first: what is most definite is tried first."""
    return tuple(sorted((_pattern(key) for key in PATTERNS), key=lambda p: -len(PLACE.sub("", p.key))))


def _pattern(key: str) -> Pattern:
    plain = key
    for ending in SAME_AS_OF_PAGES:
        plain = plain.removesuffix(ending)
    parts = PLACE.split(plain)  # words, name, words, name, …
    shape = "".join(f"(?P<{part}>{_shape(part)})" if i % 2 else re.escape(part) for i, part in enumerate(parts))
    return Pattern(key, re.compile(shape), tuple(parts[1::2]))


def _shape(name: str) -> str:
    if name.endswith("_l"):
        return NUMBER + " L"
    return r".+?" if name.endswith(("_text", "_list", "_name")) else NUMBER
