"""A person at the pages, without a browser: opens a page, fills in a form that stands on it, sends it."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from httpx import Client, Response

SECRETS = {"operator": "83520417", "supervisor": "grey-heron-41", "maintenance": "slow-otter-17"}


@dataclass
class Form:
    """One form of a page: its address, its test id, its fields as they stand."""

    action: str
    testid: str
    fields: dict[str, str] = field(default_factory=dict)


class Page(HTMLParser):
    """Collects a page's forms and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        if tag == "form":
            self.forms.append(Form(given.get("action") or "", given.get("data-testid") or ""))
        if tag == "input" and given.get("name") and self.forms:
            if given.get("type") in ("radio", "checkbox") and "checked" not in given:
                return
            self.forms[-1].fields[str(given["name"])] = given.get("value") or ""

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


class Visitor:
    """One browser without scripts."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.client = Client(base_url=address, timeout=20.0)

    @property
    def own(self) -> dict[str, str]:
        """What a browser says of a form sent from this site's own page."""
        return {"Origin": self.address, "Sec-Fetch-Site": "same-origin"}

    def get(self, path: str) -> Response:
        return self.client.get(path)

    def page(self, path: str) -> Page:
        answer = self.client.get(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:300]}"
        return Page(answer.text)

    def form(self, path: str, testid: str) -> Form:
        found = [form for form in self.page(path).forms if form.testid == testid]
        assert found, f"no form {testid} on {path}"
        return found[0]

    def send(self, form: Form, headers: dict[str, str] | None = None, **typed: Any) -> Response:
        """Sends a form with some fields typed over; `None` leaves a field out."""
        fields = form.fields | {name: str(value) for name, value in typed.items() if value is not None}
        for name in (name for name, value in typed.items() if value is None):
            fields.pop(name, None)
        return self.client.post(form.action, data=fields, headers=self.own if headers is None else headers)
