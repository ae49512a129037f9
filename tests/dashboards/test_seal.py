"""What this server said is recognised, and nothing else is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import seal
from dashboards.people import open_store

KEY = b"k" * 32
Json = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**50), 2**50)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
)


@given(st.dictionaries(st.text(), Json, max_size=5))
def test_what_was_shut_opens_as_it_was(shown: dict[str, object]) -> None:
    assert seal.opened(KEY, seal.shut(KEY, shown)) == json.loads(json.dumps(shown))


@given(st.integers(0), st.integers(1, 255))
def test_a_changed_letter_is_noticed(at: int, by: int) -> None:
    sealed = bytearray(seal.shut(KEY, {"instruction": "mill-2-a1", "volume_l": 40.0}).encode())
    place = at % len(sealed)
    sealed[place] = (sealed[place] + by) % 256
    found = seal.opened(KEY, sealed.decode("latin-1"))
    assert found is None or found == {"instruction": "mill-2-a1", "volume_l": 40.0}


@pytest.mark.parametrize("sealed", ["", ".", "e30=.", "e30=.00", "no base64!.ff", "é.é"])
def test_rubbish_is_refused(sealed: str) -> None:
    assert seal.opened(KEY, sealed) is None


def test_another_server_s_seal_and_a_form_token_are_refused() -> None:
    assert seal.opened(KEY, seal.shut(b"x" * 32, {"a": 1})) is None
    token = seal.form_token(KEY, "cookie")
    assert seal.form_token_ok(KEY, "cookie", token)
    assert not seal.form_token_ok(KEY, "other", token)
    assert not seal.form_token_ok(KEY, "", seal.form_token(KEY, ""))
    assert not seal.form_token_ok(KEY, "cookie", "é")


def test_the_key_stays_the_same_over_a_restart(tmp_path: Path) -> None:
    first = open_store(tmp_path / "people.sqlite")
    key = seal.key_of(first)
    first.close()
    again = open_store(tmp_path / "people.sqlite")
    assert seal.key_of(again) == key and len(key) == 32
    again.close()


@pytest.mark.parametrize(
    ("origin", "site", "own"),
    [
        ("http://works.test", "same-origin", True),
        ("http://works.test", None, True),  # a browser that does not send Sec-Fetch-Site
        (None, "same-origin", False),
        ("http://elsewhere.test", None, False),
        ("http://works.test", "cross-site", False),
        ("http://works.test.elsewhere.test", "same-origin", False),
        ("null", None, False),
        ("http://works.test:8080", "same-origin", False),
    ],
)
def test_only_our_own_page_is_the_same_origin(origin: str | None, site: str | None, own: bool) -> None:
    assert seal.same_origin(origin, site, "works.test") is own
