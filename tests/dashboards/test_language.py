"""Two languages, complete: nothing is shown half in one and half in the other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dashboards import catalogue, language
from dashboards.language import _, decimal, h_, negotiate, ngettext, script_words, speaking
from dashboards.render import HERE

OTHERS = [name for name in language.LANGUAGES if name != language.ENGLISH]
TEMPLATES = sorted((HERE / "templates").glob("*.html"))
JINJA = re.compile(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", re.S)
WORDS = re.compile(r"[A-Za-zÄÖÜäöüß]{2,}")
SPOKEN_ATTRIBUTES = re.compile(r'\b(?:aria-label|title|alt|placeholder)="([^"]*)"')
SAME_EVERYWHERE = {"Sumpside ·"}  # the title of a page without one


@pytest.mark.parametrize("name", OTHERS)
def test_no_sentence_is_missing_empty_fuzzy_or_idle(name: str) -> None:
    """Cure: `python -m dashboards.catalogue`, then translate what is empty."""
    assert catalogue.faults(name) == []


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_no_template_says_anything_outside_the_catalogue(path: Path) -> None:
    plain = JINJA.sub("", path.read_text())
    spoken = SPOKEN_ATTRIBUTES.findall(plain) + re.sub(r"<[^>]*>", "\n", plain).split("\n")
    assert {text.strip() for text in spoken if WORDS.search(text)} - SAME_EVERYWHERE == set()


@pytest.mark.parametrize(
    ("header", "spoken"),
    [
        ("de-AT,de;q=0.9,en;q=0.8", "de"),
        ("en-US,en;q=0.9,de;q=0.8", "en"),
        ("fr-FR,de;q=0.3", "de"),
        ("fr", "en"),
        ("de;q=0", "en"),
        ("", "en"),
        (None, "en"),
        ("de;q=x, ;;,,", "en"),
        ("-,_," * 50, "en"),
    ],
)
def test_the_browser_s_wish_is_taken(header: str | None, spoken: str) -> None:
    assert negotiate(header) == spoken


def test_a_language_is_spoken_within_its_context_only() -> None:
    with speaking("de"):
        assert _("Sign in") == "Anmelden" and decimal(2.5, 1) == "2,5"
    assert _("Sign in") == "Sign in" and decimal(2.5, 1) == "2.5"


def test_what_is_unknown_stays_as_it_is_and_html_in_values_is_escaped() -> None:
    with speaking("de"):
        assert _("no such sentence {n}", n=1) == "no such sentence 1"
        assert h_("<b>{name}</b>", name="<i>") == "<b>&lt;i&gt;</b>"
        assert ngettext("{n} thing unheard of", "{n} things unheard of", 2) == "2 things unheard of"


def test_scripts_are_given_their_words() -> None:
    assert script_words("en") == {}
    assert script_words("de")["plain water"] == "reines Wasser"
