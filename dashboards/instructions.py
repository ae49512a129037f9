"""Instructions as pages show them: the agent's advice, where its review stands, and what a person may do with it.

The lifecycle itself is `agent.core.review`; here its rows become a card.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import hypot
from typing import Any

from agent.core.fluid import concentrate_in
from agent.core.handling import POURED_SD
from agent.core.review import ENDED, SET_ASIDE_S, events_open_to
from agent.core.spec import SumpSpec
from agent.core.what_if import P05, from_belief
from agent.io.inbox import Word
from dashboards.language import N_, _

TITLES = {
    "top_off": N_("Top off"),
    "strengthen": N_("Strengthen"),
    "thin": N_("Thin"),
    "drain_part": N_("Drain part of it"),
    "read_strength": N_("Dip the refractometer"),
    "ask": N_("Say what went in"),
    "look": N_("Have a look"),
}
ADDITIONS = ("top_off", "strengthen", "thin")


@dataclass(frozen=True, slots=True)
class Instruction:
    """One open instruction. `advice` holds its numbers as they stand, a supervisor's change included."""

    id: str
    spec: SumpSpec
    state: str  # posted | approved | begun | done
    advice: dict[str, Any]
    reviews: tuple[dict[str, Any], ...]
    posted_at: float | None
    set_aside_until: float | None
    said: Word | None  # what a person has said about it that the agent has not taken yet

    @property
    def kind(self) -> str:
        return str(self.advice["kind"])

    @property
    def title(self) -> str:
        return _(TITLES[self.kind]) if self.kind in TITLES else self.kind.replace("_", " ")

    @property
    def adds(self) -> bool:
        """True where something is to be poured in."""
        return self.kind in ADDITIONS or (self.kind == "drain_part" and bool(self.advice.get("makeup_pct")))

    @property
    def amended_by(self) -> str | None:
        """Who changed its numbers. Choosing a valve for it, with the numbers as they stood, is no change."""
        by = [r.get("by") for r in self.reviews if r.get("event") == "amend" and r.get("to") and _changes(r)]
        return str(by[-1]) if by else None

    @property
    def refused(self) -> dict[str, Any] | None:
        """The newest step, where it was somebody's that the agent did not take."""
        last = self.reviews[-1] if self.reviews else {}
        return last if not last.get("to") and last.get("refused") else None

    @property
    def is_usual(self) -> bool:
        makeup_pct = self.advice.get("makeup_pct")
        return makeup_pct is not None and abs(makeup_pct - self.spec.usual_pct) < 0.005

    @property
    def over(self) -> bool:
        """Taken back or lapsed: shown a while, for who had poured before it was."""
        return self.state in ENDED

    def open_to(self, role: str) -> list[str]:
        """The events that a person of this role may cause now; none while their word is on its way."""
        return [] if self.said else events_open_to(role, self.state)

    def set_aside(self, now_s: float) -> bool:
        return self.set_aside_until is not None and self.set_aside_until > now_s


def _changes(amend: dict[str, Any]) -> bool:
    seen = (amend.get("seen") or {}).get("advice") or {}
    return any(amend.get(name) not in (None, seen.get(name)) for name in ("volume_l", "makeup_pct"))


def read(row: dict[str, Any], spec: SumpSpec, waiting: Iterable[Word]) -> Instruction:
    """An instruction from a row of `JournalReader.open_instructions`."""
    reviews = tuple(row["reviews"])
    return Instruction(
        id=row["id"],
        spec=spec,
        state=row["state"],
        advice=amended(row["advice"], reviews),
        reviews=reviews,
        posted_at=row["posted_at"],
        set_aside_until=_set_aside(reviews),
        said=next((w for w in waiting if w.kind == "decision" and w.body.get("advice") == row["id"]), None),
    )


def amended(advice: dict[str, Any], reviews: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """The advice with the last change that a reviewer made; what it would have led to no longer holds then."""
    now = dict(advice)
    for row in reviews:
        if row.get("event") != "amend" or not row.get("to"):
            continue
        for name in ("volume_l", "makeup_pct"):
            if row.get(name) is not None:
                now[name] = row[name]
        concentrate_l = concentrate_in(now["volume_l"], now["makeup_pct"])
        now |= {"concentrate_l": concentrate_l, "water_l": now["volume_l"] - concentrate_l}
        now |= dict.fromkeys(("expected_volume_l", "expected_strength_pct", "expected_strength_sd", "chance_in_band"))
    return now


def foreseen(one: Instruction, belief: dict[str, Any]) -> Instruction:
    """The instruction with what its numbers lead to from this belief; as it is where they lead nowhere."""
    return _spread(_landing(one, belief), belief)


def _spread(one: Instruction, belief: dict[str, Any]) -> Instruction:
    """With how well the level that it leads to is known: the belief's own doubt, and how true people pour."""
    volume_l = one.advice.get("volume_l")
    if volume_l is None or one.advice.get("expected_volume_l") is None:
        return one
    return replace(one, advice=one.advice | {"expected_volume_sd": hypot(belief["volume_sd"], POURED_SD * volume_l)})


def _landing(one: Instruction, belief: dict[str, Any]) -> Instruction:
    if not one.adds or one.advice.get("expected_strength_pct") is not None:
        return one
    try:
        found = from_belief(belief, one.spec, one.advice["volume_l"], one.advice["makeup_pct"])
    except ValueError:
        return one
    advice = one.advice | {
        "expected_volume_l": found.volume_l,
        "expected_strength_pct": found.strength_pct,
        "expected_strength_sd": (found.strength_p95 - found.strength_p05) / (2 * P05),
        "chance_in_band": found.chance_in_band,
    }
    return replace(one, advice=advice)


def _set_aside(reviews: Iterable[dict[str, Any]]) -> float | None:
    until = [r["time"] + SET_ASIDE_S for r in reviews if r.get("event") == "set_aside" and r.get("to")]
    return max(until, default=None)
