"""Finding a form in a page and keeping what stands in it."""

from __future__ import annotations

import pytest

from agent.io.simulated.forms import PageRefused, Visitor, forms_of

PAGE = """
<form action="/search"><input name="q"></form>
<form method="post" action="/todo/mill-2">
  <input type="hidden" name="form_token" value="a&amp;b">
  <input name="volume_l" value="40"><input type="checkbox" name="told"><input type="checkbox" name="sure" checked>
  <input type="radio" name="mix" value="water"><input type="radio" name="mix" value="usual" checked>
  <select name="unit"><option value="l">L</option><option value="gal" selected>gal</option></select>
  <select name="who"><option value="nils">Nils</option><option value="ada">Ada</option></select>
  <textarea name="note"></textarea><button name="action" value="done">Done</button>
</form>
"""


def test_what_stands_in_a_form_is_kept() -> None:
    search, todo = forms_of(PAGE)
    assert (search.action, search.fields) == ("/search", {"q": ""})
    assert todo.action == "/todo/mill-2"
    assert todo.fields == {
        "form_token": "a&b", "volume_l": "40", "sure": "", "mix": "usual", "unit": "gal", "who": "nils", "note": "",
    }  # fmt: skip


def test_a_page_that_is_not_there_is_a_refusal() -> None:
    with pytest.raises(PageRefused):
        Visitor("http://127.0.0.1:9").get("/")
