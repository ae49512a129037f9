"""The life of an alert: raised once, acknowledged or set aside by a person, over when its cause is (after ISA-18.2).

A row of kind `alert` in the journal is one step in an alert's life. Its columns `id`, `sump` and `time` are the
alert's id, its sump (NULL for one of the whole site: a bus, a publisher, the disk, the clock) and when the step was
taken (epoch s). Its body, keys in this order:

    id        text     the same in all steps of one alert
    kind      text     a key of KINDS
    sump      text | null
    subject   text     which bus, publisher, instruction or finding, where a kind has several; else ""
    severity  text     "act now" | "act soon" | "know"
    event     text     "raise" | "acknowledge" | "set_aside" | "return" | "over" | "clear"
    from      text | null   state before; null before "raise"
    state     text     state after: "raised" | "acknowledged" | "set_aside" | "over" | "cleared"
    since     number   epoch s when it was raised, the same in all steps
    text      text     one sentence for people, as it stood when it was raised
    by        text     person, or "agent"
    role      text     "operator" | "supervisor" | "maintenance" | "agent"
    reason    text | null   a person's words; set_aside needs some
    until     number | null   epoch s, while set aside: then it is back as "raised", unacknowledged
    refused   text     only where a person's step was not taken: why. `state` is then what it stays

"over" is an alert to act now upon whose cause went before anybody had seen it: it stays until acknowledged. All
others are cleared when their cause is gone. Open alerts are those whose newest row that is not refused has a state
other than "cleared".

People decide through the inbox, kind "alert": {"alert": id, "action": "acknowledge" | "set_aside", "until": epoch s,
"reason": text}. In live.json "alerts" lists the open ones, most severe first, each {id, kind, sump, subject, severity,
state, since, text, by, reason, until}; "alert_rate" is {"last_hour": n, "last_day": n}, alerts that came up.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Any, Final

from agent.core.review import AGENT, MACHINE, OPERATOR, PEOPLE, NoSuchStep, NotAllowed
from agent.errors import SumpsideError

ACT_NOW, ACT_SOON, KNOW = "act now", "act soon", "know"
SEVERITIES: Final = (ACT_NOW, ACT_SOON, KNOW)

RAISED, ACKNOWLEDGED, SET_ASIDE, OVER, CLEARED = "raised", "acknowledged", "set_aside", "over", "cleared"

TABLE: Final[dict[tuple[str, str], tuple[str, frozenset[str]]]] = {
    (RAISED, "acknowledge"): (ACKNOWLEDGED, PEOPLE),
    (RAISED, "set_aside"): (SET_ASIDE, PEOPLE),
    (RAISED, "over"): (OVER, MACHINE),
    (RAISED, "clear"): (CLEARED, MACHINE),
    (ACKNOWLEDGED, "set_aside"): (SET_ASIDE, PEOPLE),
    (ACKNOWLEDGED, "clear"): (CLEARED, MACHINE),
    (SET_ASIDE, "acknowledge"): (ACKNOWLEDGED, PEOPLE),
    (SET_ASIDE, "return"): (RAISED, MACHINE),
    (SET_ASIDE, "clear"): (CLEARED, MACHINE),
    (OVER, "acknowledge"): (CLEARED, PEOPLE),
    (OVER, "return"): (RAISED, MACHINE),  # its cause is there again
}
CAME_UP: Final = frozenset({"raise", "return"})  # events that ask for a person
ACTIONS: Final = frozenset({"acknowledge", "set_aside"})  # what a person may ask for

HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0
LONGEST_ASIDE_S: Final = {OPERATOR: 8 * HOUR_S}  # a shift; whoever may review: LONGEST_ASIDE_REVIEWER_S
LONGEST_ASIDE_REVIEWER_S: Final = 7 * DAY_S


@dataclass(frozen=True, slots=True)
class Kind:
    """How urgent a kind of alert is, and how long its cause must be there or gone before it counts (s)."""

    severity: str
    on_s: float
    off_s: float


# Delays after ISA-18.2: levels move slowly and are steady, findings have been judged already, wires flicker.
KINDS: Final[dict[str, Kind]] = {
    "low_mark": Kind(ACT_SOON, 60.0, 60.0),
    "high_mark": Kind(ACT_NOW, 10.0, 60.0),
    "overfill": Kind(ACT_NOW, 0.0, 20.0),
    "strength_low": Kind(ACT_SOON, 600.0, 600.0),
    "strength_high": Kind(ACT_SOON, 600.0, 600.0),
    "leak": Kind(ACT_NOW, 0.0, 0.0),
    "level_sensor": Kind(ACT_SOON, 0.0, 0.0),
    "level_stale": Kind(ACT_SOON, 60.0, 10.0),
    "level_stuck": Kind(ACT_SOON, 600.0, 60.0),
    "strength_sensor": Kind(ACT_SOON, 0.0, 0.0),
    "inline_off": Kind(KNOW, 1800.0, 60.0),
    "signal_stale": Kind(KNOW, 600.0, 60.0),
    "proportioner": Kind(ACT_SOON, 0.0, 0.0),
    "oil": Kind(KNOW, 0.0, 0.0),
    "hold_up": Kind(KNOW, 0.0, 0.0),
    "instruction_overdue": Kind(ACT_SOON, 0.0, 0.0),
    "bus_silent": Kind(ACT_SOON, 30.0, 30.0),
    "sink_behind": Kind(KNOW, 600.0, 30.0),
    "sink_credentials": Kind(ACT_SOON, 10.0, 10.0),
    "clock_unset": Kind(ACT_SOON, 60.0, 0.0),
    "disk_full": Kind(ACT_NOW, 0.0, 60.0),
    "disk_low": Kind(ACT_SOON, 60.0, 60.0),
    "dosing_locked": Kind(ACT_NOW, 0.0, 0.0),
}

Key = tuple[str, str, str]  # kind, sump or "", subject


class AlertRefused(SumpsideError):
    """A person's step that cannot be taken, in words that the person may read."""


@dataclass(frozen=True, slots=True)
class Condition:
    """A cause as it is seen now: `on` it is there, `off` it is gone, neither within the dead-band, or unknown."""

    kind: str
    sump: str | None
    on: bool
    off: bool
    text: str = ""
    subject: str = ""

    @property
    def key(self) -> Key:
        """What makes two looks at it looks at the same cause."""
        return self.kind, self.sump or "", self.subject


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert as it stands. Times are epoch s."""

    id: str
    kind: str
    sump: str | None
    subject: str
    severity: str
    state: str
    since: float
    text: str
    by: str = AGENT
    reason: str | None = None
    until: float | None = None

    @property
    def key(self) -> Key:
        """The cause it belongs to."""
        return self.kind, self.sump or "", self.subject

    def shown(self) -> dict[str, Any]:
        """As live.json lists it."""
        names = ("id", "kind", "sump", "subject", "severity", "state", "since", "text", "by", "reason", "until")
        return {name: getattr(self, name) for name in names}


@dataclass(frozen=True, slots=True)
class Step:
    """One step in an alert's life; `alert` as it is after it."""

    event: str
    time: float  # epoch s
    before: str | None
    alert: Alert
    role: str = AGENT
    by: str = AGENT
    reason: str | None = None
    refused: str | None = None

    def body(self) -> dict[str, Any]:
        """The journal row's body."""
        alert = self.alert
        told: dict[str, Any] = {name: getattr(alert, name) for name in ("id", "kind", "sump", "subject", "severity")}
        told |= {"event": self.event, "from": self.before, "state": alert.state, "since": alert.since}
        told |= {"text": alert.text, "by": self.by, "role": self.role, "reason": self.reason, "until": alert.until}
        return told if self.refused is None else {**told, "refused": self.refused}


def step_of(time: float, body: dict[str, Any]) -> Step:
    """A step from its journal row. Raises KeyError for one that is none."""
    named = {name: body[name] for name in ("id", "kind", "sump", "subject", "severity", "state", "since", "text")}
    alert = Alert(**named, by=body["by"], reason=body["reason"], until=body["until"])
    return Step(body["event"], time, body["from"], alert, body["role"], body["by"], body["reason"], body.get("refused"))


def apply(state: str, event: str, role: str) -> str:
    """The state after an event. Raises NoSuchStep or NotAllowed, both in words that a person may read."""
    step = TABLE.get((state, event))
    if step is None:
        raise NoSuchStep(f"an alert that is {state} cannot take '{event}'")
    after, roles = step
    if role not in roles:
        raise NotAllowed(f"'{event}' is for {', '.join(sorted(roles))}, not for {role}")
    return after


@dataclass(slots=True)
class _Timer:
    """Since when a cause has been there, or gone, without a break (steady s); None: neither."""

    on_since: float | None = None
    off_since: float | None = None


@dataclass(slots=True)
class Alarms:
    """All open alerts, and what is about to become one.

    `look` and `decide` give steps and change no alert; `absorb` follows what was written to the journal. `now` is
    epoch s, `steady_s` seconds on a clock that nobody sets: delays are measured on it.
    """

    current: dict[str, Alert] = field(default_factory=dict)
    raised_at: list[float] = field(default_factory=list)  # the last day's, epoch s
    _timers: dict[Key, _Timer] = field(default_factory=dict)
    _back_at: dict[str, float] = field(default_factory=dict)  # set aside until, steady s: a set clock cannot stretch it

    # -- what is seen ---------------------------------------------------------------------------------------------

    def look(self, conditions: Iterable[Condition], now: float, steady_s: float) -> list[Step]:
        """What the causes, as they are seen now, come to. A cause that is looked for no longer is gone."""
        seen = {c.key: c for c in conditions}
        for alert in self.current.values():
            seen.setdefault(alert.key, Condition(alert.kind, alert.sump, on=False, off=True, subject=alert.subject))
        self._timers = {key: timer for key, timer in self._timers.items() if key in seen}
        held = {alert.key: alert for alert in self.current.values()}
        steps = [self._judge(c, held.get(key), now, steady_s) for key, c in seen.items()]
        return [step for step in steps if step is not None]

    def _judge(self, c: Condition, alert: Alert | None, now: float, steady_s: float) -> Step | None:
        kind, timer = KINDS.get(c.kind, Kind(KNOW, 0.0, 0.0)), self._timers.setdefault(c.key, _Timer())
        timer.on_since = (steady_s if timer.on_since is None else timer.on_since) if c.on else None
        timer.off_since = (steady_s if timer.off_since is None else timer.off_since) if c.off else None
        there = timer.on_since is not None and steady_s - timer.on_since >= kind.on_s
        gone = timer.off_since is not None and steady_s - timer.off_since >= kind.off_s
        if alert is None:
            return _raised(c, kind, now) if there else None
        if gone and alert.state != OVER:
            unseen = alert.state == RAISED and alert.severity == ACT_NOW
            return _by_agent(alert, "over" if unseen else "clear", now)
        if there and alert.state == OVER:
            return _by_agent(alert, "return", now)
        if alert.state == SET_ASIDE and self._is_back(alert, now, steady_s):
            return _by_agent(alert, "return", now)
        return None

    def _is_back(self, alert: Alert, now: float, steady_s: float) -> bool:
        return now >= (alert.until or 0.0) or steady_s >= self._back_at.get(alert.id, steady_s)

    # -- what people decide ---------------------------------------------------------------------------------------

    def decide(
        self, id: str, action: str, person: str, role: str, now: float, until: float | None, reason: str | None
    ) -> Step:
        """A person's step. Raises NoSuchStep, NotAllowed, AlertRefused."""
        alert = self.current.get(id)
        if alert is None:
            raise AlertRefused("there is no such open alert: it is over, or was never raised")
        if action not in ACTIONS:
            raise AlertRefused(f"no such action: {action}")
        after = apply(alert.state, action, role)
        if action == "acknowledge":
            until = None
        else:
            until = _checked_until(role, now, until, reason)
        changed = replace(alert, state=after, by=person, reason=reason, until=until)
        return Step(action, now, alert.state, changed, role, person, reason)

    # -- memory ---------------------------------------------------------------------------------------------------

    def absorb(self, step: Step, now: float, steady_s: float) -> None:
        """Follow a step that was written, now or before a restart."""
        if step.refused is not None:
            return
        alert = step.alert
        self._back_at.pop(alert.id, None)
        if step.event in CAME_UP:
            self.raised_at = [*(t for t in self.raised_at if t > now - DAY_S), step.time]
        if alert.state == CLEARED:
            self.current.pop(alert.id, None)
            return
        self.current[alert.id] = alert
        if alert.state == SET_ASIDE and alert.until is not None:
            left_s = min(max(alert.until - now, 0.0), LONGEST_ASIDE_REVIEWER_S)
            self._back_at[alert.id] = steady_s + left_s

    def rate(self, now: float) -> dict[str, int]:
        """How many alerts came up in the last hour and day: more than a few an hour, and nobody reads them."""
        last_hour = sum(now - HOUR_S < t <= now for t in self.raised_at)
        return {"last_hour": last_hour, "last_day": sum(now - DAY_S < t <= now for t in self.raised_at)}

    def listed(self) -> list[Alert]:
        """Open alerts: most severe first, those that nobody has seen before the others, oldest first."""
        return sorted(self.current.values(), key=lambda a: (_rank(a.severity), a.state not in (RAISED, OVER), a.since))


def _rank(severity: str) -> int:
    return SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)


def _checked_until(role: str, now: float, until: float | None, reason: str | None) -> float:
    """Until when an alert may be set aside (epoch s). Raises AlertRefused."""
    if not (reason or "").strip():
        raise AlertRefused("a reason is needed")
    longest_s = LONGEST_ASIDE_S.get(role, LONGEST_ASIDE_REVIEWER_S)
    if until is None or not isfinite(until) or not now < until <= now + longest_s:
        raise AlertRefused(f"say until when: within the next {longest_s / HOUR_S:.0f} h")
    return until


def _raised(c: Condition, kind: Kind, now: float) -> Step:
    where = "/".join(part for part in (c.sump or "site", c.kind, c.subject) if part)
    alert = Alert(f"{where}@{now:.3f}", c.kind, c.sump, c.subject, kind.severity, RAISED, now, c.text)
    return Step("raise", now, None, alert)


def _by_agent(alert: Alert, event: str, now: float) -> Step:
    after = apply(alert.state, event, AGENT)
    kept = alert.by, alert.reason
    by, reason = (AGENT, None) if after == RAISED else kept
    return Step(event, now, alert.state, replace(alert, state=after, by=by, reason=reason, until=None))


def open_after(steps: Sequence[Step]) -> list[Step]:
    """Of all steps, oldest first, those that tell how each open alert stands: its newest that was taken."""
    newest = {step.alert.id: step for step in steps if step.refused is None}
    return [step for step in newest.values() if step.alert.state != CLEARED]
