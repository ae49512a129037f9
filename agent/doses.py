"""Dosing, wired: reviews and readings in, valves held or closed, rows for the journal out. Only where it is configured.

A dose is an instruction like any other, begun by a machine: a reviewer approves it with `"dose": true` in the decision
(select), a person begins it with `"dose": <the key that live.json shows>` (operate), the level proves it. What people
may do besides comes through the inbox as kind "dosing": {"action": "stop" | "lock" | "reset", "reason": text}.

A valve is opened only when the row that tells of it is in the journal (`kept`): an agent that dies at any moment knows
afterwards what it may have given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from agent.core import dosing, review
from agent.core.dosing import Doser, DoseRefused, Limits, Order, Picture
from agent.core.gates import describe
from agent.core.outputs import Belief
from agent.core.spec import SumpSpec
from agent.io.inbox import Word
from agent.io.journal import Sample
from agent.io.valve_process import Standing, ValveProcess
from agent.reviews import LONGEST_REASON, Reviews, Row
from agent.site import Site

FOLLOWS_S: Final = 3.0  # the driver has done what it was told, and said so, within
PERSON: Final = "dosing"  # whose word it is that a dose went in
RESTORED_ROWS: Final = 5_000  # a day of the busiest valve is some dozens
UNWRITTEN: Final = "the journal could not take it down: the valve was not opened"
UNREADY: Final = ("stale", "learning")


class Valve(Protocol):
    """See `valve_process.ValveProcess`."""

    def start(self) -> None: ...
    def hold(self) -> None: ...
    def close(self) -> None: ...
    def standing(self) -> Standing: ...
    def stop(self) -> None: ...


@dataclass(slots=True)
class Post:
    """One sump's valve, and what is known of its level. `*_s` are steady seconds."""

    limits: Limits
    valve: Valve
    state: Doser = field(default_factory=Doser)
    sample: Sample | None = None
    at_s: float = 0.0
    moved_s: float = 0.0
    phase_s: float = 0.0  # since when the valve is to be as it is to be
    waits: bool = False  # it is to open, and the row that tells of it is not in the journal yet


class Doses:
    """All valves of a site. `steady` is a clock that nobody sets, in real seconds."""

    def __init__(
        self,
        posts: dict[str, Post],
        reviews: Reviews,
        believe: Callable[[str], Belief],
        steady: Callable[[], float],
    ) -> None:
        self.posts, self._reviews, self._believe, self._steady = posts, reviews, believe, steady
        self._ended: list[Word] = []  # of doses, for the review

    # -- start and stop -------------------------------------------------------------------------------------------

    def start(self, rows: Iterable[Row], now: float) -> None:
        """Begin the drivers, each of which turns its valve off; `rows`: what was dosed before, oldest first."""
        steady_s = self._steady()
        for row in rows:
            post = self.posts.get(row.sump or "")
            if row.body.get("event") == "dosing" and post is not None and "refused" not in row.body:
                _remember(post, row, steady_s - min(max(now - row.time, 0.0), dosing.DAY_S))
        for post in self.posts.values():
            post.phase_s = steady_s
            post.valve.start()

    def stop(self) -> None:
        """Close all, end the drivers."""
        for post in self.posts.values():
            post.valve.close()
        for post in self.posts.values():
            post.valve.stop()

    # -- what is seen ---------------------------------------------------------------------------------------------

    def saw(self, sample: Sample) -> None:
        """A reading has come."""
        post = self.posts.get(sample.sump)
        if post is None or sample.signal != "level":
            return
        post.at_s = self._steady()
        if post.sample is None or sample.raw != post.sample.raw:
            post.moved_s = post.at_s
        post.sample = sample

    def tick(self, now: float) -> tuple[list[Row], list[Word]]:
        """Look at every valve: rows, and words on doses that have ended (`done`), for the review."""
        rows: list[Row] = []
        for sump, post in self.posts.items():
            steady_s = self._steady()
            state = dosing.never_opened(post.state, UNWRITTEN) if post.waits else post.state
            if state.phase not in (dosing.LOCKED, dosing.READY):
                state = dosing.tick(state, self._picture(post), post.limits, steady_s)
            if fault := self._driver_fault(post, state, steady_s):
                state = dosing.lock(state, fault, post.limits, steady_s)
            rows += self._take(sump, post, state, now)
            if state.opens:
                post.valve.hold()
        words, self._ended = self._ended, []
        return rows, words

    @property
    def waits(self) -> bool:
        """Whether a valve is to open once its row is in the journal."""
        return any(post.waits for post in self.posts.values())

    def kept(self) -> None:
        """All rows given so far are in the journal: what waited for that is opened."""
        for post in self.posts.values():
            if post.waits:
                post.waits, post.phase_s = False, self._steady()
                post.state = dosing.opened(post.state, post.phase_s)
                post.valve.hold()

    def _picture(self, post: Post) -> Picture:
        belief = self._believe(post.limits.sump)
        sample = post.sample
        if sample is None:
            return Picture(None, 0.0, 0.0, "", belief.volume_l)
        doubt = describe(sample.flags) if sample.flags else ""
        if belief.status in UNREADY:
            doubt = doubt or f"the belief is {belief.status}"
        return Picture(post.at_s, post.moved_s, sample.value, doubt, belief.volume_l)

    def _driver_fault(self, post: Post, state: Doser, steady_s: float) -> str:
        """What the driver says is wrong, or does otherwise than it was told for long."""
        standing = post.valve.standing()
        if standing.fault:
            return f"the valve: {standing.fault}; shut the hand valve and look"
        if state.opens is not post.state.opens:
            return ""  # turned just now: it is to follow from here on
        if steady_s - post.phase_s < FOLLOWS_S or standing.on is post.state.opens:
            return ""
        if post.state.opens:
            return "the valve does not open, though it is held"
        return "the valve is not known to be shut; shut the hand valve and look"

    # -- what people do -------------------------------------------------------------------------------------------

    def heard(self, word: Word, now: float) -> list[Row]:
        """Rows for a word that is the valve's alone; none where the review is to hear it.

        A `begin` of a dose that cannot be is refused here: then the instruction is not begun at all.
        """
        if word.kind == "dosing":
            return self._asked(word, now)
        key = word.body.get("dose")
        if word.kind != "decision" or word.body.get("action") != "begin" or not key:
            return []
        post = self._post_of(word)
        if post is None:
            return [self._refused(word, "there is no dosing valve at this sump", now)]
        try:
            dosing.operate(post.state, str(key), word.role, self._picture(post), post.limits, self._steady())
        except DoseRefused as why:
            return [self._refused(word, str(why), now)]
        return []

    def decided(self, word: Word, rows: list[Row], now: float) -> list[Row]:
        """A word has come to `rows`: a decision on an instruction that was taken selects a dose, or begins it."""
        step = rows[0] if rows and rows[0].kind == "review" and rows[0].body.get("to") else None
        post = self.posts.get(step.sump or "") if step is not None else None
        if step is None or post is None:
            return []
        event, wish = step.body["event"], word.body.get("dose")
        try:
            if event in ("approve", "amend") and wish is True:
                return self._take(post.limits.sump, post, self._selected(post, word), now, word)
            if event == "begin" and wish:
                picture, steady_s = self._picture(post), self._steady()
                state = dosing.operate(post.state, str(wish), word.role, picture, post.limits, steady_s)
                return self._take(post.limits.sump, post, state, now, word)
        except DoseRefused as why:
            return [self._refused(word, str(why), now)]
        return []

    def _selected(self, post: Post, word: Word) -> Doser:
        one = self._reviews.known.get(str(word.body.get("advice")))
        seen = word.body.get("seen")
        if one is None or one.volume_l is None or one.makeup_pct is None:
            raise DoseRefused("this instruction pours nothing")
        if not isinstance(seen, dict) or not isinstance(seen.get("advice"), dict):
            raise DoseRefused("it does not say what was shown")
        picture, steady_s = self._picture(post), self._steady()
        order = Order(
            sump=one.sump,
            instruction=one.id,
            volume_l=one.volume_l,
            pct=one.makeup_pct,
            shown=dosing.digest(seen),
            token=word.token,
            by=word.person,
            expires_s=steady_s + dosing.EXPIRY_S,
            level_l=picture.level_l,
            believed_l=picture.believed_l,
        )
        return dosing.select(post.state, order, word.role, picture, post.limits, steady_s)

    def _asked(self, word: Word, now: float) -> list[Row]:
        """A word of kind "dosing": stop, lock with a reason (anybody who works here), reset (a reviewer)."""
        post = self.posts.get(word.sump)
        action = word.body.get("action")
        if post is None or word.role not in review.PEOPLE or action not in ("stop", "lock", "reset"):
            return [self._refused(word, "there is no such valve, or no such action", now)]
        try:
            if action == "stop":
                state = dosing.stop(post.state, word.person, post.limits, self._steady())
            elif action == "lock":
                state = self._locked(post, word)
            else:
                state = dosing.reset(post.state, word.role)
        except DoseRefused as why:
            return [self._refused(word, str(why), now)]
        return self._take(word.sump, post, state, now, word)

    def _locked(self, post: Post, word: Word) -> Doser:
        reason = (_reason(word) or "").strip()
        if not reason:
            raise DoseRefused("a reason is needed")
        return dosing.lock(post.state, f"locked out by {word.person}: {reason}", post.limits, self._steady())

    def absorb(self, row: Row, now: float) -> list[Row]:
        """An instruction was withdrawn, ended or changed by the machine: what was selected upon it is void."""
        post = self.posts.get(row.sump or "")
        if post is None or post.state.order is None or row.kind != "review" or not row.body.get("to"):
            return []
        mine = row.id == post.state.order.instruction
        if not mine or row.body["event"] in ("approve", "begin", "amend") or row.body.get("by") == PERSON:
            return []
        state = dosing.stop(post.state, f"the instruction, now {row.body['to']}", post.limits, self._steady())
        return self._take(row.sump or "", post, state, now)

    # -- inside ---------------------------------------------------------------------------------------------------

    def _post_of(self, word: Word) -> Post | None:
        one = self._reviews.known.get(str(word.body.get("advice")))
        return None if one is None else self.posts.get(one.sump)

    def _take(self, sump: str, post: Post, state: Doser, now: float, word: Word | None = None) -> list[Row]:
        """Follow a new state: to shut at once, to open when the row that tells of it is `kept`."""
        before, post.state = post.state, state
        self._ended += _done(before, state, sump, now)
        if before.opens != state.opens:
            post.phase_s, post.waits = self._steady(), state.opens
            if not state.opens:
                post.valve.close()
        if (before.phase, before.order) == (state.phase, state.order):
            return []
        order = state.order or before.order
        body = {
            "event": "dosing",
            "from": before.phase,
            "to": state.phase,
            "why": state.why,
            "advice": order.instruction if order else None,
            "volume_l": order.volume_l if order else None,
            "poured_l": round(state.poured_l, 3) if before.opens else None,
            "key": order.key if order else None,
            "by": word.person if word else review.AGENT,
            "role": word.role if word else review.AGENT,
            "reason": _reason(word),
        }
        return [Row("agent", now, sump, None, body)]

    def _refused(self, word: Word, why: str, now: float) -> Row:
        action = str(word.body.get("action"))[:LONGEST_REASON]
        body = {"event": "dosing", "action": action, "by": word.person, "role": word.role, "refused": why}
        return Row("agent", now, word.sump or None, None, body)

    def locked(self) -> dict[str, str]:
        """Sumps whose valve a person must look at; a restart alone is no alert."""
        why = {sump: post.state.why for sump, post in self.posts.items() if post.state.phase == dosing.LOCKED}
        return {sump: text for sump, text in why.items() if text != Doser().why}

    def shown(self, now: float) -> dict[str, Any]:
        """For live.json: by sump, phase and why, what is selected or runs, how the valve stands."""
        return {sump: self._shown(post, now) for sump, post in self.posts.items()}

    def _shown(self, post: Post, now: float) -> dict[str, Any]:
        state, standing = post.state, post.valve.standing()
        told: dict[str, Any] = {"phase": state.phase, "why": state.why, "key": None, "instruction": None}
        told |= {
            "volume_l": None,
            "poured_l": None,
            "until": None,
            "valve": {"on": standing.on, "fault": standing.fault},
        }
        if state.order is not None:
            told |= {"instruction": state.order.instruction, "volume_l": state.order.volume_l}
            told["poured_l"] = round(state.poured_l, 2) if state.phase != dosing.SELECTED else 0.0
            if state.phase == dosing.SELECTED:
                told |= {"key": state.order.key, "until": now + state.order.expires_s - self._steady()}
        return told


def doses_of(
    site: Site, reviews: Reviews, believe: Callable[[str], Belief], steady: Callable[[], float]
) -> Doses | None:
    """The valves of a site, or None where it has none."""
    periods = {s.sump: bus.period_s for bus in site.bus for s in bus.sensor if s.signal == "level"}
    posts = {
        sump.id: Post(_limits(sump.spec(), sump.dosing, periods[sump.id]), ValveProcess(sump.dosing.model_dump()))
        for sump in site.sump
        if sump.dosing is not None
    }
    return Doses(posts, reviews, believe, steady) if posts else None


def _limits(spec: SumpSpec, table: Any, period_s: float) -> Limits:
    caps = {name: getattr(table, name) for name in ("max_dose_l", "max_hour_l", "max_day_l", "margin_l")}
    return Limits(
        sump=spec.id, pct=table.pct, rate_l_per_min=table.rate_l_per_min, high_l=spec.high_l, period_s=period_s, **caps
    )


def _done(before: Doser, after: Doser, sump: str, now: float) -> list[Word]:
    """That a dose went in, as the review and the estimate hear it: like a person's "done, I added …"."""
    if not before.opens or after.opens or before.order is None or after.poured_l <= 0.0:
        return []
    order = before.order
    body = {"advice": order.instruction, "action": "done", "volume_l": round(after.poured_l, 2)}
    body |= {"makeup_pct": order.pct, "reason": after.why}
    return [Word(0, now, PERSON, review.AGENT, sump, "decision", body, f"dose-{order.key}")]


def _remember(post: Post, row: Row, at_s: float) -> None:
    """What a row of before tells about litres given: a dose that began counts in full until its end is known."""
    body, given = row.body, list(post.state.given)
    if body["to"] == dosing.RUNNING:
        given.append((at_s, float(body["volume_l"])))
    elif body["from"] == dosing.RUNNING and given:
        given[-1] = (at_s, float(body["poured_l"]))
    post.state = Doser(given=tuple(given))


def _reason(word: Word | None) -> str | None:
    text = word.body.get("reason") if word else None
    return str(text)[:LONGEST_REASON] if text else None
