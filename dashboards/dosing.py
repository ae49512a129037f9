"""A dosing valve as people see and handle it: what it would give, its caps, how it stands, who did what with it.

The agent decides; here its words of live.json and its rows become a card, and a person's taps become words.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from agent.core.dosing import DAY_S, LOCKED, READY, RUNNING, SELECTED, SETTLING
from agent.site import Dosing
from dashboards import cards
from dashboards.core_sentences import core_text
from dashboards.instructions import Instruction
from dashboards.language import N_, _
from dashboards.live_file import Live
from dashboards.log_lines import Line, who
from dashboards.queries import Queries
from dashboards.show import Show, trim

STEPS_SHOWN = 6
MOST_ROWS = 400  # of the logger's own rows in a day
TITLES = {
    LOCKED: N_("Locked out"),
    READY: N_("Ready, shut"),
    SELECTED: N_("Selected, still shut"),
    RUNNING: N_("Open"),
    SETTLING: N_("Shut again, the level has to answer"),
}
STEPS = {
    (READY, SELECTED): N_("selected a dose"), (SELECTED, RUNNING): N_("opened the valve"),
    (LOCKED, READY): N_("unlocked it"), (SELECTED, READY): N_("took the selection back"),
    (RUNNING, SETTLING): N_("shut the valve"), (SETTLING, READY): N_("the level has answered"),
    (SELECTED, SELECTED): N_("selected another dose"),
}  # fmt: skip
ASKED = {
    "stop": N_("wanted to stop it"), "reset": N_("wanted to unlock it"), "lock": N_("wanted to lock it out"),
    "begin": N_("wanted to open the valve"), "approve": N_("wanted to select a dose"),
    "amend": N_("wanted to select a dose"),
}  # fmt: skip
ALONE = N_("Stay at the machine until it is shut. A high-level switch of its own must stand in series with the valve.")
NO_ADDITIVE = N_("Only the ready mix that this line was set up for: never neat concentrate, biocide or additive.")
CAUTIONS = (ALONE, NO_ADDITIVE, *cards.AT_THE_SUMP)


@dataclass(frozen=True, slots=True)
class Dose:
    """One valve now. Texts are ready to be shown; `share` 0 to 1 of the dose."""

    sump: str
    phase: str  # of agent.core.dosing; "unknown" while the logger says nothing
    title: str
    why: str
    gives: str
    caps: str
    valve: str
    poured: str
    more: str
    share: float
    key: str | None
    instruction: str | None

    @property
    def moving(self) -> bool:
        """Whether there is anything to stop; where nobody knows, there may be."""
        return self.phase in (SELECTED, RUNNING, "unknown")

    @property
    def stop(self) -> str:
        """What the button that ends it says."""
        return _("Do not open it: take it back") if self.phase == SELECTED else _("Stop")

    @property
    def drawn(self) -> str:
        """Names the buttons that belong to it: a page that shows others is out of date."""
        return f"{self.phase} {(self.key or '')[:8]}"

    def row(self) -> dict[str, Any]:
        """As the live stream sends it."""
        return {
            "phase": self.phase, "title": self.title, "why": self.why, "valve": self.valve, "poured": self.poured,
            "more": self.more, "share": self.share, "moving": self.moving, "stop": self.stop,
            "drawn": self.drawn,
        }  # fmt: skip


def told(sump: str, table: Dosing, live: Live, show: Show) -> Dose:
    """The valve of `sump` by the newest live file."""
    found = live.dose(sump)
    phase = str(found.get("phase")) if found else "unknown"
    phase = phase if phase in TITLES else "unknown"
    volume_l, poured_l = found.get("volume_l"), found.get("poured_l")
    title = _(TITLES[phase]) if phase in TITLES else _("The logger says nothing of this valve")
    gives = _(
        "{mix}, {rate} a minute", mix=cards.mix(table.pct), rate=show.volume(table.rate_l_per_min, 1)
    )  # fmt: skip
    caps = _(
        "At most {dose} at once, {hour} an hour, {day} a day, and {margin} stay free below the high mark.",
        dose=show.volume(table.max_dose_l), hour=show.volume(table.max_hour_l), day=show.volume(table.max_day_l),
        margin=show.volume(table.margin_l),
    )  # fmt: skip
    share = min(max(poured_l / volume_l, 0.0), 1.0) if volume_l and poured_l is not None else 0.0
    return Dose(
        sump, phase, title, core_text(found.get("why")) if found.get("why") else "", gives, caps,
        _valve(found.get("valve")), _poured(phase, volume_l, poured_l, show), _more(phase, found, table, live, show),
        round(share, 3), found.get("key"), found.get("instruction"),
    )  # fmt: skip


def _valve(standing: Any) -> str:
    """How the output stands by its driver's own word."""
    on = standing.get("on") if isinstance(standing, dict) else None
    if on is None:
        return _("Nobody knows whether the valve is shut: shut the hand valve and look.")
    return _("The valve is open.") if on else _("The valve is shut.")


def _poured(phase: str, volume_l: float | None, poured_l: float | None, show: Show) -> str:
    if volume_l is None or poured_l is None or phase not in (SELECTED, RUNNING, SETTLING):
        return ""
    return _("{poured} of {volume}", poured=show.volume(poured_l, 1), volume=show.volume(volume_l, 1))


def _more(phase: str, found: dict[str, Any], table: Dosing, live: Live, show: Show) -> str:
    """While selected: how long it may still be opened. While open: how long it will take."""
    if phase == SELECTED and isinstance(found.get("until"), (int, float)):
        left_s = max(0.0, found["until"] - live.now_s)
        return _("Open it within {minutes} min {seconds} s, or select it anew.", minutes=int(left_s // 60),
                 seconds=int(left_s % 60))  # fmt: skip
    if phase == RUNNING and found.get("volume_l") is not None:
        left_s = max(0.0, found["volume_l"] - (found.get("poured_l") or 0.0)) / table.rate_l_per_min * 60.0
        return _("by its rate, {seconds} s to go", seconds=round(left_s))
    return ""


def selectable_l(one: Instruction, table: Dosing) -> float | None:
    """Litres of this instruction that the valve could give in one dose; None where it cannot meet it at all."""
    volume_l = one.advice.get("volume_l")
    if not one.adds or one.kind == "drain_part" or not volume_l or one.state not in ("posted", "approved") or one.said:
        return None
    return min(float(volume_l), table.max_dose_l) if one.advice.get("makeup_pct") == table.pct else None


def why_not(one: Instruction, table: Dosing) -> str:
    """Why an instruction that adds is not one for this valve."""
    return _(
        "This asks for {wanted}, the valve gives {gives}.", wanted=f"{trim(one.advice['makeup_pct'])} %",
        gives=f"{trim(table.pct)} %",
    )  # fmt: skip


def steps(queries: Queries, sump: str, now_s: float, show: Show) -> list[Line]:
    """What was done with this valve within the last day, the newest first."""
    rows = queries.rows("agent", sump, now_s - DAY_S, None, MOST_ROWS)
    return [step_line(row.data(), row.time, row.sump, show) for row in reversed(rows) if is_step(row.data())][
        :STEPS_SHOWN
    ]


def is_step(body: dict[str, Any]) -> bool:
    return body.get("event") == "dosing"


def step_line(body: dict[str, Any], time: float, sump: str | None, show: Show, seq: int = 0) -> Line:
    """One step as a line, with the person."""
    reason = str(body.get("reason") or "")
    if body.get("refused"):
        asked = ASKED.get(str(body.get("action")))
        text = _("{text} (not taken: {why})", text=_(asked) if asked else _("dosing"), why=core_text(body["refused"]))
        return Line(time, sump, who(body), text, reason, seq=seq)
    before, after = str(body.get("from")), str(body.get("to"))
    said = _("locked it out") if after == LOCKED else _(STEPS.get((before, after), N_("dosing")))
    poured = body.get("poured_l") if before == RUNNING else body.get("volume_l")
    text = f"{said}: {core_text(body['why'])}" if body.get("why") else said
    if poured is not None and (before, after) != (LOCKED, READY):
        text = _("{text} ({volume})", text=text, volume=show.volume(float(poured), 1))
    return Line(time, sump, who(body), text, reason, seq=seq)
