"""An OpenAPI description of the pages, from the two places that say it already: the table of routes, the pages' forms.

What a form offers (its fields, its choices, the seal in it) is what a browser would send; all else is drawn.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from dashboards.guard import Way
from dashboards.routes import ROUTES
from tests.dashboards.visitor import Page, Visitor

SUMPS = ["mill-1", "mill-2"]
FORM = "application/x-www-form-urlencoded"
NEVER_ENDS = "/live"
Fields = dict[str, set[str]]  # name → values that stand on the pages


def described(visitor: Visitor, ways: list[Way]) -> dict[str, Any]:
    """OpenAPI 3.0 of these routes, as one who has just looked at every page open to them knows it."""
    queries, forms = _on_the_pages(visitor)
    any_form = {name: values for fields in forms.values() for name, values in fields.items()}
    paths: dict[str, Any] = defaultdict(dict)
    for way in ways:
        said: dict[str, Any] = {"responses": {"default": {"description": "an answer"}}}
        said["parameters"] = [_parameter(name, "path", set(SUMPS)) for name in ("sump",) if f"{{{name}}}" in way.path]
        if way.method == "GET":
            said["parameters"] += [_parameter(n, "query", v) for n, v in sorted(queries[way.path].items())]
        else:
            known = forms.get(way.path) or any_form  # a form that stands on no page just now
            fields = {name: _drawn(values) for name, values in sorted(known.items())}
            body = {"type": "object", "properties": fields, "required": ["form_token"]}
            said["requestBody"] = {"required": True, "content": {FORM: {"schema": body}}}
        paths[way.path][way.method.lower()] = said
    return {"openapi": "3.0.3", "info": {"title": "Sumpside", "version": "0"}, "paths": dict(paths)}


def _parameter(name: str, place: str, values: set[str]) -> dict[str, Any]:
    return {"name": name, "in": place, "required": place == "path", "schema": _drawn(values)}


def _drawn(values: set[str]) -> dict[str, Any]:
    """One of those that stand on the page, or anything; a form's token is as it was given, or nothing would pass."""
    offered: dict[str, Any] = {"type": "string", "enum": sorted(values)}
    token = len(values) == 1 and len(next(iter(values))) == 64
    return offered if token else {"anyOf": [offered, {"type": "string"}, {"type": "number"}]}


def _on_the_pages(visitor: Visitor) -> tuple[dict[str, Fields], dict[str, Fields]]:
    """Names and values that pages ask for, by route: in addresses that they lead to, in forms that they send."""
    queries: dict[str, Fields] = defaultdict(lambda: defaultdict(set))
    forms: dict[str, Fields] = defaultdict(lambda: defaultdict(set))
    for way in (way for way in ROUTES if way.method == "GET" and way.path != NEVER_ENDS):
        answer = visitor.get(way.path.replace("{sump}", SUMPS[-1]))
        if answer.status_code == 200 and answer.headers["content-type"].startswith("text/html"):
            _read(Page(answer.text), queries, forms)
    for name in ("from", "until", "range"):  # asked for by a script
        queries["/series/{sump}"][name].add("0")
    return queries, forms


def _read(page: Page, queries: dict[str, Fields], forms: dict[str, Fields]) -> None:
    here: Fields = {}
    name = ""
    for tag, given in page.tags:
        if tag == "form":
            found = forms if given.get("method") == "post" else queries
            here = found[_route(given.get("action") or "")]
        elif tag in ("input", "button", "select", "textarea") and given.get("name"):
            name = str(given["name"])
            here.setdefault(name, set()).add(given.get("value") or "")
        elif tag == "option" and name:
            here.setdefault(name, set()).add(given.get("value") or "")
        elif tag == "a" and "?" in (given.get("href") or ""):
            address = urlsplit(str(given["href"]))
            for key, value in parse_qsl(address.query):
                queries[_route(address.path)][key].add(value)


def _route(path: str) -> str:
    for sump in SUMPS:
        path = path.replace(f"/{sump}", "/{sump}")
    return path
