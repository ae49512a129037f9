"""Keeps the catalogues: `python -m dashboards.catalogue` adds what the code says new and drops what it says no more.

A maintainer's tool; the running pages never import it. New sentences come in without a translation, which a test
refuses: nothing is shown half in one language and half in another.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po
from jinja2 import Environment
from jinja2.ext import extract_from_ast

from dashboards import language

HERE = Path(__file__).parent
ASKING = ("_", "h_", "N_", "ngettext")
PLACES = re.compile(r"\{(\w+)")
Message = str | tuple[str, ...]


def messages() -> dict[Message, set[str]]:
    """Every sentence that the pages can say, and the files that say it."""
    found: dict[Message, set[str]] = {}
    for path in sorted(HERE.rglob("*")):
        if path.is_file() and "vendor" not in path.parts:
            for message in _in_file(path):
                found.setdefault(message, set()).add(str(path.relative_to(HERE)))
    return found


def _in_file(path: Path) -> Iterator[Message]:
    if path.suffix == ".py":
        yield from _in_python(path.read_text())
    elif path.suffix == ".html":
        yield from _in_template(path.read_text())
    elif path.suffix == ".js":
        yield from language.words_of_script(path.read_text())


def _in_python(source: str) -> Iterator[Message]:
    for node in ast.walk(ast.parse(source)):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ASKING):
            continue
        texts = [a.value for a in node.args if isinstance(a, ast.Constant) and isinstance(a.value, str)]
        yield from _message(node.func.id, texts)


def _in_template(source: str) -> Iterator[Message]:
    tree = Environment().parse(source)
    for _, name, texts in extract_from_ast(tree, ASKING):
        given = [texts] if isinstance(texts, str) else [t for t in texts or () if isinstance(t, str)]
        yield from _message(name, given)


def _message(name: str, texts: list[str]) -> Iterator[Message]:
    if name == "ngettext" and len(texts) >= 2:
        yield texts[0], texts[1]
    elif name != "ngettext" and texts:
        yield texts[0]


def key(message: Message) -> str:
    return message if isinstance(message, str) else message[0]


def faults(of: str) -> list[str]:
    """What is wrong with a catalogue: missing, empty, fuzzy, idle sentences, and names that do not agree."""
    known, kept = (
        messages(),
        {m.id if isinstance(m.id, str) else tuple(m.id): m for m in language.catalogue(of) if m.id},
    )
    found = [f"missing: {key(m)!r} ({', '.join(sorted(where))})" for m, where in known.items() if m not in kept]
    for message, entry in kept.items():
        texts = [entry.string] if isinstance(entry.string, str) else list(entry.string or ())
        wanted = set(PLACES.findall(key(message)))
        if message not in known:
            found.append(f"said no more: {key(message)!r}")
        elif not all(texts):
            found.append(f"empty: {key(message)!r}")
        elif entry.fuzzy:
            found.append(f"fuzzy: {key(message)!r}")
        elif any(set(PLACES.findall(text)) != wanted for text in texts[-1:]):
            found.append(f"other names in {{}}: {key(message)!r} -> {texts[-1]!r}")
    return found


def update(of: str) -> None:
    """The catalogue with exactly the sentences of the code, old translations kept."""
    old = {key(m.id if isinstance(m.id, str) else tuple(m.id)): m for m in language.catalogue(of) if m.id}
    fresh = Catalog(of, project="Sumpside", charset="utf-8", fuzzy=False)
    for message in sorted(messages(), key=lambda one: (key(one).lower(), key(one))):
        before = old.get(key(message))
        string = before.string if before else ("" if isinstance(message, str) else ("", ""))
        fresh.add(message, string)
    with (language.FOLDER / of / "sumpside.po").open("wb") as file:
        write_po(file, fresh, width=120, omit_header=True, include_lineno=False)


if __name__ == "__main__":
    for name in (n for n in language.LANGUAGES if n != language.ENGLISH):
        update(name)
        language.catalogue.cache_clear()
        print("\n".join(faults(name)) or f"{name}: complete")
