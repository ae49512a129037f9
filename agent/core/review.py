"""The life of an instruction, as a table: state, event → next state, and who may cause it.

The picture in DEVELOPERS.md is made from this table. A step that is not in it raises and changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Final

from agent.core.outputs import Advice, Finding
from agent.core.spec import SumpSpec
from agent.errors import SumpsideError

OPERATOR, SUPERVISOR, MAINTENANCE = "operator", "supervisor", "maintenance"
AGENT: Final = "agent"  # the machine itself: it may take back and judge, never approve
POLICY: Final = "policy"  # the site file's word: it approves what `needs_review` lets pass
PEOPLE: Final = frozenset({OPERATOR, SUPERVISOR, MAINTENANCE})
REVIEWERS: Final = frozenset({SUPERVISOR, MAINTENANCE})
MACHINE: Final = frozenset({AGENT})

POSTED, APPROVED, BEGUN, DONE = "posted", "approved", "begun", "done"
PROVEN, UNPROVEN, DECLINED, WITHDRAWN, EXPIRED = "proven", "unproven", "declined", "withdrawn", "expired"
OPEN: Final = frozenset({POSTED, APPROVED, BEGUN})  # a sump has one instruction in these at most
ENDED: Final = frozenset({PROVEN, UNPROVEN, DECLINED, WITHDRAWN, EXPIRED})

TABLE: Final[dict[tuple[str, str], tuple[str, frozenset[str]]]] = {
    (POSTED, "approve"): (APPROVED, REVIEWERS | {POLICY}),
    (POSTED, "amend"): (APPROVED, REVIEWERS),  # approved with another volume or strength
    (POSTED, "decline"): (DECLINED, REVIEWERS),
    (POSTED, "withdraw"): (WITHDRAWN, MACHINE),
    (POSTED, "expire"): (EXPIRED, MACHINE),
    (APPROVED, "amend"): (APPROVED, REVIEWERS),
    (APPROVED, "set_aside"): (APPROVED, PEOPLE),  # "not now, because": out of sight for SET_ASIDE_S
    (APPROVED, "decline"): (DECLINED, REVIEWERS),
    (APPROVED, "begin"): (BEGUN, PEOPLE),
    (APPROVED, "done"): (DONE, PEOPLE),  # who pours first and taps after has begun all the same
    (APPROVED, "withdraw"): (WITHDRAWN, MACHINE),
    (APPROVED, "expire"): (EXPIRED, MACHINE),
    (BEGUN, "set_aside"): (APPROVED, PEOPLE),
    (BEGUN, "done"): (DONE, PEOPLE | MACHINE),  # the machine: a dose that a reviewer approved and a person began
    (BEGUN, "expire"): (EXPIRED, MACHINE),  # begun and never heard of again
    (WITHDRAWN, "done"): (DONE, PEOPLE),  # poured before anybody heard that it was taken back: the word still counts
    (EXPIRED, "done"): (DONE, PEOPLE),
    (DONE, "prove"): (PROVEN, MACHINE),
    (DONE, "disprove"): (UNPROVEN, MACHINE),
}
ACTIONS: Final = {  # what a person taps → event
    "approve": "approve",
    "amend": "amend",
    "decline": "decline",
    "begin": "begin",
    "done": "done",
    "not_now": "set_aside",
}
NEEDS_REASON: Final = frozenset({"decline", "set_aside"})
SET_ASIDE_S: Final = 4 * 3600.0  # half a shift: then it is due again

SEEN_BY_ALL: Final = frozenset({"read_strength", "ask", "look"})  # no correction: nothing goes into the sump


class NoSuchStep(SumpsideError):
    """The state knows no such event: somebody was faster, or the page was old."""


class NotAllowed(SumpsideError):
    """The step exists, but not for this role."""


def apply(state: str, event: str, role: str) -> str:
    """The state after an event. Raises NoSuchStep or NotAllowed, both in words that a person may read."""
    step = TABLE.get((state, event))
    if step is None:
        raise NoSuchStep(f"an instruction that is {state} cannot take '{event}'")
    after, roles = step
    if role not in roles:
        raise NotAllowed(f"'{event}' is for {', '.join(sorted(roles))}, not for {role}")
    return after


def events_open_to(role: str, state: str) -> list[str]:
    """What somebody in this role may do to an instruction in this state, in the table's order."""
    return [event for (at, event), (_, roles) in TABLE.items() if at == state and role in roles]


# ── policy ─────────────────────────────────────────────────────────────────────────────────────────────────


def needs_review(advice: Advice, usual_pct: float, top_off: str = "post") -> bool:
    """Whether a supervisor or maintenance must look first.

    `top_off` is the site's policy for routine top-offs with the usual mix: "post" straight to operators, or
    "review". Corrections are always reviewed, and so is any kind that nobody has thought of yet.
    """
    if advice.kind in SEEN_BY_ALL:
        return False
    routine = advice.kind == "top_off" and advice.makeup_pct == usual_pct
    return not (routine and top_off == "post")


def amendment_fault(sump: SumpSpec, believed_l: float, volume_l: float | None, makeup_pct: float | None) -> str | None:
    """What is wrong with a changed volume (L) or makeup strength (% of the mix), given the litres now in the sump."""
    if volume_l is not None:
        room_l = sump.high_l - believed_l
        if not 0.0 < volume_l <= room_l:
            return f"{volume_l:g} L cannot be added: there is room for {max(room_l, 0.0):.0f} L below the high mark"
    if makeup_pct is not None and not sump.leanest_pct <= makeup_pct <= sump.richest_pct:
        return f"{makeup_pct:g} % lies outside the mixes allowed here, {sump.leanest_pct:g}-{sump.richest_pct:g} %"
    return None


# ── proof ──────────────────────────────────────────────────────────────────────────────────────────────────

SAID_SD_SHARE: Final = 0.15  # bucket and jug measure to 10-20 %
SAID_SD_L: Final = 1.0  # and a person's litres are whole ones
WITHIN_SD: Final = 2.0
TOLD_ENOUGH: Final = 0.5  # of the strength: a makeup sd above this share tells nothing yet


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the sump answered as was said, and in words what it did."""

    ok: bool
    text: str


def prove(said_l: float | None, said_pct: float | None, finding: Finding | None) -> Proof:
    """Compare what a person says went in (L, % of the mix) with what the level and the strength tell.

    `finding` is the inflow that the core found for it, None where none was found in time. An unknown amount is
    proven by any inflow.
    """
    if finding is None or finding.withdrawn or finding.volume_l is None:
        return Proof(False, "the level did not rise")
    level = _answered("level rose by", "L", said_l, finding.volume_l, finding.volume_sd, SAID_SD_L)
    strength = Proof(True, "strength not read yet")
    if _is_told(finding):
        strength = _answered("what came in was", "%", said_pct, finding.makeup_pct, finding.makeup_sd, 0.0)
    return Proof(level.ok and strength.ok, f"{level.text}; {strength.text}")


def _is_told(finding: Finding) -> bool:
    if finding.makeup_pct is None or finding.makeup_sd is None:
        return False
    return finding.makeup_sd <= TOLD_ENOUGH * max(finding.makeup_pct, 1.0)


def _answered(what: str, unit: str, said: float | None, found: float | None, sd: float | None, floor: float) -> Proof:
    """Found within WITHIN_SD standard deviations of both errors, the person's and the estimate's."""
    if found is None:
        return Proof(True, f"{what} nobody knows what")
    told = f"{what} {found:.1f} ± {sd or 0.0:.1f} {unit}"
    if said is None:
        return Proof(True, told)
    apart = abs(found - said) / hypot(sd or 0.0, SAID_SD_SHARE * said, floor)
    verdict = "as said" if apart <= WITHIN_SD else f"but {said:.1f} {unit} was said"
    return Proof(apart <= WITHIN_SD, f"{told}, {verdict}")


# ── picture ────────────────────────────────────────────────────────────────────────────────────────────────


def mermaid() -> str:
    """The table as a mermaid state diagram, one line a step."""
    lines = ["stateDiagram-v2", f"    [*] --> {POSTED}: post ({AGENT})"]
    for (state, event), (after, roles) in TABLE.items():
        lines.append(f"    {state} --> {after}: {event} ({', '.join(sorted(roles))})")
    lines += [f"    {state} --> [*]" for state in (PROVEN, UNPROVEN, DECLINED, WITHDRAWN, EXPIRED)]
    return "\n".join(lines) + "\n"
