"""A dose given by a machine: its phases, and every reason not to open the valve. Pure; all times are steady seconds.

    locked ─reset (reviewer)─▶ ready ─select (reviewer)─▶ selected ─operate (person)─▶ running ─▶ settling ─▶ ready
       ▲                                       │ void, expired ─▶ ready           │           │
       └───────── restart, valve at fault, level does not answer, marks ◀─────────┴───────────┘

Software is not the protection: an independent high-level switch in series with the valve is. What is here keeps a dose
to what people saw and approved, and stops it at the first doubt. Every function gives a new state and changes none.

"Steady" is a clock that nobody sets. Litres given are what was held open times the rate, counted upwards.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from hashlib import sha256
from typing import Any, Final

from agent.core.review import PEOPLE, REVIEWERS
from agent.errors import SumpsideError

LOCKED, READY, SELECTED, RUNNING, SETTLING = "locked", "ready", "selected", "running", "settling"
PHASES: Final = (LOCKED, READY, SELECTED, RUNNING, SETTLING)

EXPIRY_S: Final = 600.0  # an approval holds for so long: the picture is still the one that was seen
HOLD_S: Final = 2.0  # the valve closes by itself this long after the last renewal
LATE_S: Final = 1.5  # between two looks (a fifth of a second): later, and the valve may have closed by itself
STALE_PERIODS, STALE_S = 3.0, 60.0  # older than either: no action
FLAT_S: Final = 1800.0  # a level that has not moved at all for so long may be a stuck float
MOVED_L: Final = 3.0  # since it was shown: more than a sensor breathes, or a fiftieth of the sump
MOVED_SHARE: Final = 0.02
ANSWER_LEAST_L: Final = 4.0  # poured before the level is asked for an answer: above what a sensor breathes
ANSWER_SHARE: Final = 0.1  # or a tenth of the dose
ANSWERED: Final = 0.3  # of what was poured must show while it runs: fluid takes its time to spread
SETTLE_S: Final = 120.0
SETTLED_LOW, SETTLED_HIGH = 0.5, 1.5  # of what was poured must have come, give or take MOVED_L
BLIND_S: Final = 600.0  # no good reading for so long after a dose: nobody knows whether it answered
KEYS_KEPT: Final = 50  # each holds for EXPIRY_S, in which no two doses can settle
HOUR_S, DAY_S = 3600.0, 86_400.0


class DoseRefused(SumpsideError):
    """No, and why, in words that the person may read."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the site file allows. Volumes L, of the sump's whole system at rest."""

    sump: str
    pct: float  # of what the valve gives, % by volume of the mix
    rate_l_per_min: float
    max_dose_l: float
    max_hour_l: float
    max_day_l: float
    margin_l: float  # kept free below high_l
    high_l: float
    period_s: float  # of the level sensor

    @property
    def rate_l_per_s(self) -> float:
        """Through the open valve."""
        return self.rate_l_per_min / 60.0


@dataclass(frozen=True, slots=True)
class Picture:
    """What the level sensor and the belief say now; `at_s`, `moved_s`: of its newest reading, of its last change."""

    at_s: float | None  # None: nothing came yet
    moved_s: float
    level_l: float
    doubtful: str  # why the reading or the belief is no ground to act upon; "" where it is
    believed_l: float


@dataclass(frozen=True, slots=True)
class Order:
    """One dose as a reviewer approved it. `shown` is the digest of what that person saw, `token` of that one word."""

    sump: str
    instruction: str  # the advice's id: withdrawn or with other numbers, the order is void
    volume_l: float
    pct: float
    shown: str
    token: str
    by: str
    expires_s: float
    level_l: float  # as it was then
    believed_l: float

    @property
    def key(self) -> str:
        """Names this one approval: whoever operates must give it back, and it opens the valve once."""
        said = [self.sump, self.instruction, self.volume_l, self.pct, self.shown, self.token, self.expires_s]
        return digest(said)


@dataclass(frozen=True, slots=True)
class Doser:
    """One valve's state."""

    phase: str = LOCKED
    why: str = "restarted: a person must look, then reset it"
    order: Order | None = None
    used: tuple[str, ...] = ()  # keys of the orders that opened the valve, as long as they could be given again
    given: tuple[tuple[float, float], ...] = ()  # (steady s, litres) of the last day's doses
    poured_l: float = 0.0  # of the order that runs or settles
    told_s: float = 0.0  # when poured_l was last counted
    closed_s: float = 0.0
    first_l: float = 0.0  # the level when the valve opened

    @property
    def opens(self) -> bool:
        """Whether the valve is to be held open. It stays so for one renewal: the driver closes by itself."""
        return self.phase == RUNNING


def digest(shown: Any) -> str:
    """A name for what was shown or said: sha256 over its JSON."""
    text = json.dumps(shown, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return sha256(text.encode()).hexdigest()[:32]


# ── reasons not to ─────────────────────────────────────────────────────────────────────────────────────────


def blind(picture: Picture, limits: Limits, now_s: float) -> str:
    """Why nothing may be done upon this picture; "" where it may."""
    if picture.at_s is None:
        return "no level reading yet"
    age_s = now_s - picture.at_s
    if age_s > min(STALE_PERIODS * limits.period_s, STALE_S):
        return f"the level reading is {age_s:.0f} s old"
    if picture.doubtful:
        return f"the level is in doubt: {picture.doubtful}"
    if now_s - picture.moved_s > FLAT_S:
        return f"the level has not moved at all for {(now_s - picture.moved_s) / 60.0:.0f} min: is the sensor stuck?"
    return ""


def moved(order: Order, picture: Picture) -> str:
    """Whether the picture is no longer the one that was approved, in words; "" where it still is."""
    limit_l = max(MOVED_L, MOVED_SHARE * order.believed_l)
    if abs(picture.level_l - order.level_l) > limit_l or abs(picture.believed_l - order.believed_l) > limit_l:
        return f"the level has moved from {order.level_l:.0f} to {picture.level_l:.0f} L since it was approved"
    return ""


def room_l(picture: Picture, limits: Limits) -> float:
    """Litres below the high mark less the margin, by the higher of what is seen and what is believed."""
    return limits.high_l - limits.margin_l - max(picture.level_l, picture.believed_l)


def over_caps(state: Doser, volume_l: float, limits: Limits, now_s: float) -> str:
    """Which cap a volume (L) would break; "" where none."""
    if not 0.0 < volume_l <= limits.max_dose_l:
        return f"{volume_l:g} L is not above 0 and at most {limits.max_dose_l:g} L, the cap of one dose"
    for span_s, cap_l, name in ((HOUR_S, limits.max_hour_l, "hour"), (DAY_S, limits.max_day_l, "day")):
        given_l = _given_l(state, now_s, span_s)
        if given_l + volume_l > cap_l:
            return f"{given_l:.1f} L were given within the last {name}; with {volume_l:g} L it would pass {cap_l:g} L"
    return ""


def _given_l(state: Doser, now_s: float, span_s: float) -> float:
    return sum(litres for at_s, litres in state.given if now_s - at_s < span_s)


def _hindrance(state: Doser, order: Order, picture: Picture, limits: Limits, now_s: float) -> str:
    """All that is asked both when a dose is approved and when it is begun."""
    if order.sump != limits.sump:
        return f"this valve fills {limits.sump}, not {order.sump}"
    if order.pct != limits.pct:
        return f"the valve gives {limits.pct:g} %, {order.pct:g} % was asked for"
    if order.volume_l <= limits.rate_l_per_s * HOLD_S:
        return f"{order.volume_l:g} L is less than can be measured out"
    hindrance = blind(picture, limits, now_s) or over_caps(state, order.volume_l, limits, now_s)
    room = room_l(picture, limits)
    if not hindrance and order.volume_l > room:
        return f"there is room for {max(room, 0.0):.0f} L, {order.volume_l:g} L was asked for"
    return hindrance


# ── what people do ─────────────────────────────────────────────────────────────────────────────────────────


def reset(state: Doser, role: str) -> Doser:
    """A reviewer has looked, and lets it be used again. Raises DoseRefused."""
    if role not in REVIEWERS:
        raise DoseRefused(f"'reset' is for {', '.join(sorted(REVIEWERS))}, not for {role}")
    if state.phase != LOCKED:
        raise DoseRefused(f"it is {state.phase}, there is nothing to reset")
    return replace(state, phase=READY, why="", order=None)


def select(state: Doser, order: Order, role: str, picture: Picture, limits: Limits, now_s: float) -> Doser:
    """A reviewer approves one dose; a later approval takes the place of an earlier one. Raises DoseRefused."""
    if role not in REVIEWERS:
        raise DoseRefused(f"'select' is for {', '.join(sorted(REVIEWERS))}, not for {role}")
    if state.phase not in (READY, SELECTED):
        raise DoseRefused(f"dosing is {state.phase}" + (f": {state.why}" if state.why else ""))
    if not now_s < order.expires_s <= now_s + EXPIRY_S:
        raise DoseRefused("the approval has expired, or would hold for too long")
    if order.key in state.used:
        raise DoseRefused("this approval was used already")
    if hindrance := _hindrance(state, order, picture, limits, now_s) or moved(order, picture):
        raise DoseRefused(hindrance)
    return replace(state, phase=SELECTED, order=order, why="")


def operate(state: Doser, key: str, role: str, picture: Picture, limits: Limits, now_s: float) -> Doser:
    """A person lets the approved dose run; `key` is the approval's own. Raises DoseRefused."""
    if role not in PEOPLE:
        raise DoseRefused(f"'operate' is for {', '.join(sorted(PEOPLE))}, not for {role}")
    if key in state.used:
        raise DoseRefused("this approval was used already")
    order = state.order
    if state.phase != SELECTED or order is None:
        raise DoseRefused(f"nothing is selected: dosing is {state.phase}" + (f": {state.why}" if state.why else ""))
    if key != order.key:
        raise DoseRefused("this is not the approval that is selected: look at it again")
    if now_s >= order.expires_s:
        raise DoseRefused("the approval has expired")
    if hindrance := _hindrance(state, order, picture, limits, now_s) or moved(order, picture):
        raise DoseRefused(hindrance)
    used = (*state.used, key)[-KEYS_KEPT:]
    state = replace(state, phase=RUNNING, why="", used=used, poured_l=0.0)
    return replace(state, told_s=now_s, first_l=picture.level_l)


def opened(state: Doser, now_s: float) -> Doser:
    """The valve is held open from now on: litres count from here."""
    return replace(state, told_s=now_s)


def never_opened(state: Doser, why: str) -> Doser:
    """A dose that was let run, and whose valve stayed shut: nothing was given, and its approval is used up."""
    return replace(state, phase=READY, order=None, why=why)


def stop(state: Doser, who: str, limits: Limits, now_s: float) -> Doser:
    """Anybody may end a dose, or take a selection back, at any time."""
    if state.phase == RUNNING:
        return _closed(_counted_up(state, now_s, limits), f"stopped by {who}", now_s)
    if state.phase == SELECTED:
        return replace(state, phase=READY, order=None, why=f"taken back by {who}")
    return state


def lock(state: Doser, why: str, limits: Limits, now_s: float) -> Doser:
    """Out of use until a person resets it; what has run is counted."""
    if state.phase == RUNNING:
        state = _booked(_counted_up(state, now_s, limits), now_s)
    if state.phase == LOCKED:
        return state
    return replace(state, phase=LOCKED, why=why, order=None, closed_s=now_s)


# ── what time brings ───────────────────────────────────────────────────────────────────────────────────────


def tick(state: Doser, picture: Picture, limits: Limits, now_s: float) -> Doser:
    """Look again. Where it gives `opens`, the valve is to be renewed now; `why` tells what has changed."""
    state = _forgotten(state, now_s)
    if state.phase == SELECTED and state.order is not None:
        return _still_selected(state, state.order, picture, limits, now_s)
    if state.phase == RUNNING and state.order is not None:
        return _running(state, state.order, picture, limits, now_s)
    if state.phase == SETTLING:
        return _settling(state, picture, limits, now_s)
    return state


def _still_selected(state: Doser, order: Order, picture: Picture, limits: Limits, now_s: float) -> Doser:
    why = "the approval has expired" if now_s >= order.expires_s else ""
    why = why or blind(picture, limits, now_s) or moved(order, picture)
    return replace(state, phase=READY, order=None, why=f"void: {why}") if why else state


def _running(state: Doser, order: Order, picture: Picture, limits: Limits, now_s: float) -> Doser:
    late_s = now_s - state.told_s
    state = _counted_up(state, now_s, limits)
    if late_s > LATE_S:  # held again, it would run in spurts that nobody counts
        return _closed(state, f"stopped: the logger was held up for {late_s:.1f} s", now_s)
    if hindrance := blind(picture, limits, now_s):
        return _closed(state, f"stopped: {hindrance}", now_s)
    if max(picture.level_l, picture.believed_l) > limits.high_l - limits.margin_l / 2.0:
        return lock(state, "the level came near the high mark while it was dosed", limits, now_s)
    risen_l = picture.level_l - state.first_l
    if state.poured_l >= max(ANSWER_LEAST_L, ANSWER_SHARE * order.volume_l) and risen_l < ANSWERED * state.poured_l:
        text = f"{state.poured_l:.1f} L should have come, the level shows {risen_l:.1f} L: no flow, or not into here"
        return lock(state, text, limits, now_s)
    if risen_l > SETTLED_HIGH * state.poured_l + 2.0 * MOVED_L:
        return lock(state, f"the level rose by {risen_l:.1f} L while {state.poured_l:.1f} L were dosed", limits, now_s)
    # the next renewal holds it open for up to HOLD_S: end before that could pass the order
    if state.poured_l + limits.rate_l_per_s * HOLD_S > order.volume_l:
        return _closed(state, "the dose is in", now_s)
    return state


def _counted_up(state: Doser, now_s: float, limits: Limits) -> Doser:
    """What was held open since the last look."""
    passed_s = max(0.0, min(now_s - state.told_s, HOLD_S))  # the driver closes by itself after HOLD_S
    return replace(state, poured_l=state.poured_l + limits.rate_l_per_s * passed_s, told_s=now_s)


def _closed(state: Doser, why: str, now_s: float) -> Doser:
    return replace(_booked(state, now_s), phase=SETTLING, why=why, closed_s=now_s)


def _booked(state: Doser, now_s: float) -> Doser:
    """What was given counts towards the caps."""
    return replace(state, given=(*state.given, (now_s, state.poured_l)))


def _settling(state: Doser, picture: Picture, limits: Limits, now_s: float) -> Doser:
    """The level must have answered, neither too little nor too much."""
    if now_s - state.closed_s < SETTLE_S:
        return state
    if hindrance := blind(picture, limits, now_s):
        if now_s - state.closed_s < BLIND_S:
            return state
        return lock(state, f"nobody knows whether the level answered: {hindrance}", limits, now_s)
    risen_l, poured_l = picture.level_l - state.first_l, state.poured_l
    if SETTLED_LOW * poured_l - MOVED_L <= risen_l <= SETTLED_HIGH * poured_l + MOVED_L:
        return replace(state, phase=READY, order=None)
    text = f"{poured_l:.1f} L were dosed and the level rose by {risen_l:.1f} L: look before it is used again"
    return lock(state, text, limits, now_s)


def _forgotten(state: Doser, now_s: float) -> Doser:
    """Doses of more than a day ago count no more."""
    if all(now_s - at_s < DAY_S for at_s, _ in state.given):
        return state
    return replace(state, given=tuple((at_s, litres) for at_s, litres in state.given if now_s - at_s < DAY_S))


@dataclass(slots=True)
class DeadMan:
    """The output driver's own rule: open only for HOLD_S after each renewal, whoever has died meanwhile."""

    hold_s: float = HOLD_S
    until_s: float = field(default=float("-inf"))

    def renew(self, now_s: float) -> None:
        """Open, or stay open."""
        self.until_s = now_s + self.hold_s

    def close(self) -> None:
        """At once."""
        self.until_s = float("-inf")

    def is_open(self, now_s: float) -> bool:
        """Whether the output is to be on now."""
        return now_s < self.until_s
