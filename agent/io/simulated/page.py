"""How simulated people speak: they sign in at the dashboards and fill in its forms, as anybody does."""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable
from typing import Any

from agent.io.simulated.crew import NotTaken
from agent.io.simulated.forms import Form, PageRefused, Visitor, forms_of

LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
ONE_TIME_CODE = re.compile(r'data-testid="code">([A-Z0-9]+-[A-Z0-9]+)<')
SIMULATED = "simulated operator"
ROLES = {"maintenance": "maintenance", "supervisor": "supervisor", "operator": "operator", SIMULATED: "operator"}


def new_secret() -> str:
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(5)) for _ in range(2))


def list_people(address: str, code: str) -> dict[str, str]:
    """Set the page up with the one-time code, list one person a role and the simulated one; name -> secret.

    Raises PageRefused.
    """
    known = {name: new_secret() for name in ROLES}
    first = Visitor(address)
    setting_up = {"code": code, "name": "maintenance", "secret": known["maintenance"]}
    first.send("/set-up", _has("code", "secret"), setting_up)
    for name, role in list(ROLES.items())[1:]:
        first.send("/people", _has("name", "role"), {"action": "add", "name": name, "role": role})
        found = ONE_TIME_CODE.search(first.shown)
        if found is None:
            raise PageRefused(f"/people: no one-time code for {name}")
        given = {"code": found[1], "name": name, "secret": known[name]}
        Visitor(address).send("/set-up", _has("code", "secret"), given)
    return known


def _has(*names: str) -> Callable[[Form], bool]:
    def which(form: Form) -> bool:
        return set(names) <= set(form.fields)

    return which


class PageVoice:
    """One simulated person. Signs in at the first word, and anew when the page no longer knows them."""

    def __init__(self, address: str, name: str, secret: str) -> None:
        self._visitor = Visitor(address)
        self._name, self._secret = name, secret

    def say(self, sump: str, record: dict[str, Any]) -> None:
        """Enter a hand reading or an addition on the sump's page. Raises NotTaken."""
        typed = {"signal": record["signal"]}
        if record["signal"] == "addition":
            typed |= {"volume": record["volume_l"], "mix": "other", "pct": record["pct"]}
            typed |= {"of": record["of"]} if "of" in record else {}
        else:
            typed |= {"value": record["value"]}
        self._send(f"/reading/{sump}", lambda form: form.fields.get("signal") == record["signal"], typed)

    def decide(self, sump: str, advice_id: str, action: str, fields: dict[str, Any]) -> None:
        """Press a button of an instruction's card. Raises NotTaken."""
        typed: dict[str, Any] = {"action": action}
        names = {"volume_l": "volume", "makeup_pct": "makeup_pct", "note": "note"}
        typed |= {names[name]: value for name, value in fields.items()}

        def card(form: Form) -> bool:
            mine = form.fields.get("instruction") == advice_id and form.fields.get("action", action) == action
            return mine and ("volume" in typed) == ("volume" in form.fields)

        self._send(f"/todo/{sump}", card, typed)

    def _send(self, path: str, which: Callable[[Form], bool], typed: dict[str, Any]) -> None:
        try:
            if not any(which(form) for form in forms_of(self._visitor.get(path))):
                self._sign_in()
            self._visitor.send(path, which, typed)
        except PageRefused as why:
            raise NotTaken(str(why)) from why

    def _sign_in(self) -> None:
        self._visitor.send("/sign-in", _has("name", "secret"), {"name": self._name, "secret": self._secret})
