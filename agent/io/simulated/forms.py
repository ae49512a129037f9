"""A person's way through web pages, without a browser: fetch a page, find a form on it, fill it in, send it."""

from __future__ import annotations

import http.client
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from html.parser import HTMLParser
from http.cookiejar import CookieJar
from typing import Any

TIMEOUT_S = 10.0
Attributes = dict[str, str]


class PageRefused(Exception):
    """The page was not there, lacked the form, or did not take what was sent."""


@dataclass(slots=True)
class Form:
    """One form of a page: where it goes, and its fields as they stand."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)


class _Forms(HTMLParser):
    """Collects forms with their hidden, typed, ticked and chosen fields."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self._open: Form | None = None
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given: Attributes = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._open = Form(given.get("action", ""))
            self.forms.append(self._open)
        elif self._open is not None:
            self._field(self._open, tag, given)

    def _field(self, form: Form, tag: str, given: Attributes) -> None:
        name = given.get("name", "")
        if tag == "select":
            self._select = name
        elif tag == "option" and self._select:
            if "selected" in given or self._select not in form.fields:
                form.fields[self._select] = given.get("value", "")
        elif tag == "input" and name:
            if given.get("type") in ("checkbox", "radio") and "checked" not in given:
                return
            form.fields[name] = given.get("value", "")
        elif tag == "textarea" and name:
            form.fields[name] = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = None
        elif tag == "select":
            self._select = ""


def forms_of(html: str) -> list[Form]:
    """All forms of a page, in its order."""
    parser = _Forms()
    parser.feed(html)
    return parser.forms


class Visitor:
    """Somebody with cookies at one web server. Every method raises PageRefused."""

    def __init__(self, address: str) -> None:
        self.address = address.rstrip("/")
        self._open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar())).open
        self.shown = ""  # the page that the last form led to

    def get(self, path: str) -> str:
        """The page's text."""
        return self._fetch(urllib.request.Request(self.address + path))[1]

    def send(self, path: str, which: Callable[[Form], bool], fields: dict[str, Any]) -> str:
        """Open `path`, fill the first form that `which` accepts with `fields` over what stands in it, send it.

        Gives the path that the server led to. A field that the form does not have is still sent: a button's.
        """
        form = next((form for form in forms_of(self.get(path)) if which(form)), None)
        if form is None:
            raise PageRefused(f"no such form on {path}")
        body = urllib.parse.urlencode({**form.fields, **{name: str(value) for name, value in fields.items()}})
        target = urllib.parse.urljoin(self.address + path, form.action)
        request = urllib.request.Request(target, body.encode(), {"Origin": self.address})
        url, self.shown = self._fetch(request)
        return urllib.parse.urlsplit(url).path

    def _fetch(self, request: urllib.request.Request) -> tuple[str, str]:
        try:
            with self._open(request, timeout=TIMEOUT_S) as answer:
                return answer.url, answer.read().decode("utf-8", "replace")
        except urllib.error.HTTPError as error:
            raise PageRefused(f"{request.selector}: the page answered {error.code}") from error
        except (OSError, http.client.HTTPException) as error:
            raise PageRefused(f"{request.selector}: {error}") from error
