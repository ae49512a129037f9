"""What people read, in their language: catalogues (`locale/*/sumpside.po`), numbers and days as each writes them.

The English sentence in the code is the key. Which language is spoken is a context variable: a request has its own, and
the live stream changes it for each sort of watcher. A sentence with values has {names}; a translation has the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from babel import Locale, negotiate_locale
from babel.dates import format_datetime
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from markupsafe import Markup

ENGLISH, GERMAN = "en", "de"
LANGUAGES = {ENGLISH: "English", GERMAN: "Deutsch"}
FOLDER = Path(__file__).parent / "locale"
STATIC = Path(__file__).parent / "static"
JS_WORD = re.compile(r"""\bword\(\s*("(?:[^"\\]|\\.)*")""")  # word("…") in our scripts
MOST_ASKED = 12  # languages of a browser that are looked at

_spoken: ContextVar[str] = ContextVar("spoken", default=ENGLISH)
_units: ContextVar[str] = ContextVar("units", default="litre")


def speak(language: str, units: str = "litre") -> None:
    """From here on, in this request, this language is spoken, and volumes are told in these units."""
    _spoken.set(language if language in LANGUAGES else ENGLISH)
    _units.set(units)


def units() -> str:
    return _units.get()


def spoken() -> str:
    return _spoken.get()


@contextmanager
def speaking(language: str, units: str = "litre") -> Iterator[None]:
    """Within it, this language is spoken, and volumes are told in these units."""
    tokens = _spoken.set(language if language in LANGUAGES else ENGLISH), _units.set(units)
    try:
        yield
    finally:
        _spoken.reset(tokens[0])
        _units.reset(tokens[1])


def negotiate(accept_language: str | None) -> str:
    """The language of ours that a browser's Accept-Language likes best; English when it likes none."""
    asked = []
    for part in (accept_language or "").split(",")[:MOST_ASKED]:
        name, _, quality = part.strip().partition(";q=")
        asked.append((-_quality(quality), name.strip().replace("-", "_")))
    wanted = [name for minus_quality, name in sorted(asked, key=lambda one: one[0]) if name and minus_quality < 0]
    return negotiate_locale([part for name in wanted for part in (name, name[:2])], list(LANGUAGES)) or ENGLISH


def _quality(text: str) -> float:
    try:
        return float(text) if text else 1.0
    except ValueError:
        return 0.0


@cache
def catalogue(language: str) -> Catalog:
    """The catalogue of a language, read once. Raises FileNotFoundError where there is none."""
    with (FOLDER / language / "sumpside.po").open("rb") as file:
        return read_po(file, locale=language)


@cache
def _texts(language: str) -> dict[str, str | tuple[str, ...]]:
    if language == ENGLISH:
        return {}
    found = {}
    for message in catalogue(language):
        key = message.id[0] if isinstance(message.id, (tuple, list)) else message.id
        if key and message.string and not message.fuzzy:
            found[str(key)] = message.string if isinstance(message.string, str) else tuple(message.string)
    return found


def N_(text: str) -> str:
    """Marks a sentence that is kept here in English and translated where it is shown."""
    return text


def _(text: str, /, **values: Any) -> str:
    """A sentence in the language spoken, {names} filled in; English where a translation is missing."""
    found = _texts(_spoken.get()).get(text, text)
    plain = found if isinstance(found, str) else found[0]
    return plain.format(**values) if values else plain


def h_(text: str, /, **values: Any) -> Markup:
    """The same for a sentence that carries HTML of ours; values are escaped unless they are Markup."""
    found = _texts(_spoken.get()).get(text, text)
    plain = Markup(found if isinstance(found, str) else found[0])
    return plain.format(**values) if values else plain


def ngettext(one: str, many: str, n: float, /, **values: Any) -> str:
    """The form that goes with a number, {n} and other names filled in."""
    found = _texts(_spoken.get()).get(one)
    forms = found if isinstance(found, tuple) else (one, many)
    return forms[0 if n == 1 else -1].format(n=n, **values)


# ── numbers and days ──


@cache
def decimal_sign(language: str) -> str:
    return str(Locale.parse(language).number_symbols["latn"]["decimal"])


def decimal(value: float, digits: int) -> str:
    """A number with so many decimals, in the spoken language's writing."""
    return localised(f"{value:.{digits}f}")


def signed(value: float, digits: int) -> str:
    """The same with its sign, plus too."""
    return localised(f"{value:+.{digits}f}")


def localised(number: str) -> str:
    """A number written by a program ("3.14") as people write it."""
    return number.replace(".", decimal_sign(_spoken.get()))


def day(moment: datetime) -> str:
    """A day of this year, short."""
    return format_datetime(moment, "EEE d. MMM" if _spoken.get() == GERMAN else "EEE d MMM", locale=_spoken.get())


def long_day(moment: datetime) -> str:
    """A day with its year."""
    return format_datetime(moment, "d. MMMM y" if _spoken.get() == GERMAN else "d MMMM y", locale=_spoken.get())


# ── for our scripts ──


@cache
def script_words(language: str) -> dict[str, str]:
    """What our scripts say, by the English word, where it is another one in this language."""
    texts = _texts(language)
    asked = {key for path in sorted(STATIC.glob("*.js")) for key in words_of_script(path.read_text())}
    return {key: str(texts[key]) for key in sorted(asked) if key in texts}


def words_of_script(source: str) -> list[str]:
    """The sentences that a script asks for: word("…")."""
    return [match.group(1)[1:-1].replace('\\"', '"') for match in JS_WORD.finditer(source)]
