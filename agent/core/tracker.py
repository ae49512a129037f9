"""Which explanation of the level holds: branches split, weighed, merged; inflows settled and told once."""

from __future__ import annotations

from array import array
from collections import deque
from math import exp, log1p, sqrt
from statistics import median

import numpy as np

from agent.core import entered, gap, learn, week
from agent.core.calendar import Calendar
from agent.core.entered import HINT_FORCE, SAID_S
from agent.core.holdup import SHAPE_MIN, Shape
from agent.core.learn import HOURS_A_WEEK, SURE
from agent.core.level import (
    CALM_EVERY_S,
    DRIFT_ALLOWED,
    DRIFT_LIMIT,
    FORGOTTEN,
    GAP_MIN,
    HELD,
    LOG_ADD,
    LOG_DRAIN,
    LOG_END,
    LOG_GO_ON,
    LOG_REBASE,
    LOG_TOGGLE,
    MAX_BRANCHES,
    SETTLE_MIN,
    SMALLEST_SHARE,
    SURPRISE,
    TAIL,
    TAU_OFF_MIN,
    TAU_ON_MIN,
    Branch,
    Poured,
    Rates,
    by_weight,
)
from agent.core.steady import SPREAD_FLOOR, SPREAD_GAIN, STALE_CALM_S, Ripple, steady
from agent.core.warmth import Warmth

WALK_SHARE = 0.004  # of full, by which V may wander from the loss predicted in an hour, 1 sd
REBASE_AFTER_S = 1200.0  # the pump's state is not taken back while its last turn still shows
LOG_ODD_RUN, ODD_RUN = -2.0, 0.3  # a run that held up quite another volume: how likely, and 1 sd, share of it
NEW_RUNS, FAST_PACE = 12, 2.5  # while a sump is so new, a turn may go as much faster than the prior shape
OVERFULL_SD = 0.02  # people stop pouring at the high mark: 1 sd beyond it, share of full
THIN_EVERY_S = 150.0  # branches are thinned when one is born, and this often
LIKE_HELD = 0.3  # an inflow this near to what the pump holds up, as a share of it, may have been its stop
YOUNG_S = 2700.0  # a branch this young may still prove itself
FORGOTTEN_OLD = 8.0  # log-odds against an older branch at which it is dropped
Floats = np.ndarray[tuple[int], np.dtype[np.float64]]

MOMENTS = 3  # readings gone by, after each of which a turn or a flow may have begun; besides the last calm one
FIRST = 3  # readings whose middle is begun with
RECENT = 60  # readings kept for going back to a calm moment
SURE_GAP_SD = 2.0  # the same in a gap
SURE_SD = 4.0  # of its volume, below which an inflow is not told
GIVE_UP_S = 36 * 3600.0  # an inflow still in doubt by then is told if it is likelier than not
SMALLEST_TOLD = 0.015  # of full: inflows below this are not told
BEARS_OUT_S = 900.0  # so long readings must bear out a turn before what was told is taken back for its sake
SAME_S = 1200.0  # tellings of an inflow that begin nearer than this are one
STUCK_MIN, SOON_STUCK_MIN = 30.0, 6.0  # the shortest time without any change that can be a fault: at first, later
USUALLY_STILL = 3  # times make a habit of it: a fault may end where it began, too
FEWEST_SAME = 5  # readings after the first
WEEK_S = 7 * 86400.0  # by then it is known how still this sensor can stand
JUMPS_S = 900.0  # jumps nearer than this are one
JUMP_SD = 6.0  # sd of one reading: a change that is not noise


class Tracker:
    """The level tracker of one sump. Feed it litres seen in the tank; ask it for branches and inflows."""

    __slots__ = (
        "full_l", "high_l", "branches", "time", "recent", "rates", "spread", "last_y", "same_min",
        "still_min", "known", "turns", "told", "habit", "hour", "stand", "ahead",
        "turned", "learning", "runs", "seen", "calendar", "ripple", "warmth",
        "usual_held_l", "same_n", "before_jump", "begun", "thinned", "share", "back", "long_stops",
        "said", "word",
    )  # fmt: skip

    def __init__(self, full_l: float, high_l: float | None = None) -> None:
        self.full_l = full_l
        self.high_l = high_l if high_l is not None else 1.1 * full_l
        self.branches: list[Branch] = []
        self.time = 0.0  # epoch s of the last reading that counted
        self.recent: deque[tuple[float, float]] = deque(maxlen=RECENT)
        day = full_l / 1440.0
        self.rates = Rates(
            0.04 * day, 0.005 * day, (WALK_SHARE * full_l) ** 2 / 60.0,
            HELD[0] * full_l, HELD[1] * full_l, TAIL[0] * full_l, TAIL[1] * full_l,
        )  # fmt: skip
        self.stand = (0.0, 0.0, False)  # epoch s, L lost so far and the pump's state an hour ago
        self.spread = 0.002 * full_l  # 1 sd of one reading, L
        self.last_y = 0.0
        self.same_min, self.same_n = 0.0, 0  # for so long, and so many readings, the level has not moved at all
        self.before_jump: tuple[float, float, list[Branch]] | None = None  # the last jump: its time, that before, then
        self.begun = self.thinned = 0.0  # epoch s of the first reading; of the last thinning
        self.still_min = [0.0] * USUALLY_STILL  # for so long it has stood still and gone on there; the longest, rising
        self.known: bool | None = None  # the pump's state where a contact tells it
        self.turns: list[tuple[float, bool]] = []  # starts and stops told since the last reading
        self.habit = array("d", [1.0]) * (2 * HOURS_A_WEEK)  # hours seen idle, running; by hour of the week
        self.hour = 0
        self.seen = 0  # of the FIRST readings
        self.ripple, self.warmth = Ripple(), Warmth()
        self.usual_held_l = 0.0  # what runs have held up over a long time; 0 while too few are known
        self.back: list[tuple[float, float, float]] = []  # of this stop: epoch s, L seen less losses, u2
        self.long_stops = 0  # that taught what comes back slowly
        self.runs = 0  # that taught what is held up
        self.turned = self.learning = 0.0  # epoch s of the last start or stop; of the one to learn from, 0 = none
        self.ahead: Floats | None = None  # L lost up to each hour of five usual weeks; until an hour teaches more
        self.word: tuple[float, float] | None = None  # the last word on an inflow while it is fresh: epoch s, L
        self.said = float("-inf")  # epoch s of the last word on an inflow that the level had not shown
        self.share = -1.0  # of a week that the pump usually runs; below 0 until it is worked out
        self.told: deque[Poured] = deque(maxlen=16)  # told, newest last
        self.calendar: Calendar | None = None  # the shop's, where people told it

    def noise(self, run: bool = False) -> float:
        """Variance of one reading, L²: as of late, or more where the running pump is known to stir the tank more."""
        late, known = self.spread * self.spread, self.ripple.noise(run) if run else 0.0
        return known if known > late else late

    def best(self) -> Branch:
        """The likeliest branch."""
        best = self.branches[0]
        for b in self.branches:
            if b.logw > best.logw:
                best = b
        return best

    def weights(self) -> list[float]:
        """The branches' probabilities, in their order."""
        top = self.best().logw
        raw = [exp(max(-700.0, b.logw - top)) for b in self.branches]
        total = sum(raw)
        return [w / total for w in raw]

    def running(self, when: float, runs: bool) -> None:
        """A contact tells whether the pump runs; heeded with the next reading."""
        if self.known is None:
            self.rates.start, self.rates.stop = Shape(TAU_ON_MIN, any_law=True), Shape(TAU_OFF_MIN, any_law=True)
        waits = bool(self.turns) and self.turns[-1][1] == runs
        if self.known != runs or not waits and any(b.run != runs for b in self.branches):
            self.turns.append((max(when, self.time), runs))
        self.known = runs

    def reading(self, when: float, y: float) -> bool:
        """Take one reading of y litres seen in the tank; False where it was set aside as stuck."""
        return len(self.branches) == 1 and steady(self, self.branches[0], when, y) or self.any_reading(when, y)

    def any_reading(self, when: float, y: float) -> bool:
        """As `reading`, without asking first whether it is a plain one."""
        if self.seen < FIRST:
            self._begin(when, y)
            return True
        if self._stuck(when, y):
            return False
        if self.turns and y == self.last_y and JUMP_SD * self.spread < self.branches[0].H:
            return True  # a turn that moves nothing: the sensor stands, or does not show it yet
        minutes = max(0.0, (when - self.time) / 60.0)
        if minutes > GAP_MIN:
            gap.bridge(self, when, minutes, y)
        else:
            self._follow(when, y)
        self.turns.clear()
        if int(when // 3600.0) != self.hour:
            learn.habit(self, when)
            learn.rate(self, when)
            learn.tail(self, when)
            self.ahead, self.share = None, -1.0
        if self.learning and when - self.learning > SHAPE_MIN * 60.0:
            learn.shape(self, when)
        self.time = when
        self.recent.append((when, y))
        self.last_y = y
        if self.word is not None:
            entered.weigh(self, when)
        if len(self.branches) > 1:
            learn.listen(self)
            if (
                when - self.thinned > THIN_EVERY_S
                or len(self.branches) > MAX_BRANCHES
                or self.branches[-1].born == when
            ):
                self._thin()
        if self.branches[0].toggled > self.turned:
            self.turned = self.learning = self.branches[0].toggled
        return True

    def _begin(self, when: float, y: float) -> None:
        """The first readings, of which one may be rubbish: their middle, the pump off and on if no contact tells."""
        self.seen += 1
        self.begun = self.begun or when
        self.recent.append((when, y))
        middle = median(seen for _, seen in self.recent)
        self.branches = []
        for run in (False, True) if self.known is None else (self.known,):
            b = Branch(middle, self.noise(run), self.rates, run)
            b.quiet_up = b.quiet_down = when
            b.keep_calm(when)
            self.branches.append(b)
        self.time, self.last_y = when, y
        self.turns.clear()

    def _stuck(self, when: float, y: float) -> bool:
        """True while the reading has not moved at all for longer than this sensor ever stands still."""
        step_min = (when - self.time) / 60.0
        if y == self.last_y:
            if not self._frozen():
                self.same_min += step_min
                self.same_n += 1
                if self._frozen():
                    self._thaw(when)
            return self._frozen()
        calm = abs(y - self.last_y) < JUMP_SD * self.spread
        if (not self._frozen() or calm) and self.same_min > self.still_min[0]:  # it went on where it stood: only still
            self.still_min = sorted([self.same_min, *self.still_min[1:]])
        self.same_min, self.same_n = 0.0, 0
        if not calm and step_min < GAP_MIN and (not self.before_jump or when - self.before_jump[0] > JUMPS_S):
            self.before_jump = (when, self.time, [b.copy() for b in self.branches])
        if step_min < GAP_MIN:
            self.spread += SPREAD_GAIN * (min(abs(y - self.last_y) / 1.128, 4 * self.spread) - self.spread)
            self.spread = max(self.spread, SPREAD_FLOOR * self.full_l)
        return False

    def _frozen(self) -> bool:
        return self.same_n >= FEWEST_SAME and self.same_min > self._patience()

    def _may_be_stuck(self) -> bool:
        """It has stood still for longer than it usually does: nothing is told on that."""
        return self.same_n >= FEWEST_SAME and self.same_min > self.still_min[0]

    def _patience(self) -> float:
        known = self.time - self.begun > WEEK_S
        return max(SOON_STUCK_MIN if known else STUCK_MIN, 2.5 * self.still_min[0])

    def _thaw(self, when: float) -> None:
        """The readings have been frozen for a while; where that began in a jump, what was made of it is taken back."""
        if self.before_jump is None:
            return
        jumped, before, branches = self.before_jump
        if when - 60.0 * self.same_min - jumped < JUMPS_S:
            self.branches, self.time, self.before_jump = branches, before, None
            self.recent.clear()
            for p in self.told:
                if p.start >= before - 60.0:  # it was none
                    for b in branches:
                        b.poured += (Poured(p.start, p.end, 0.0, p.variance),)

    def _advance(self, b: Branch, when: float) -> None:
        """Let a branch's time pass to `when`, with the starts and stops told on the way."""
        now = self.time
        for turn, runs in self.turns:
            if b.run != runs and turn <= when:
                b.predict(max(0.0, turn - now) / 60.0, self.rates, self.full_l)
                b.toggle(turn, self.rates)
                b.keep_calm(turn)
                now = max(now, turn)
        b.predict(max(0.0, when - now) / 60.0, self.rates, self.full_l)

    def _follow(self, when: float, y: float) -> None:
        """An ordinary reading: every branch predicts and is conditioned; the surprised ones split."""
        still, stirred = self.noise(), self.noise(True)
        full, rates, turns = self.full_l, self.rates, self.turns
        minutes = max(0.0, when - self.time) / 60.0
        born: list[Branch] = []
        for b in self.branches:
            if b.flow:
                ended = b.copy()
                ended.logw += LOG_END
                ended.end_flow(self.time)
                self._advance(ended, when)
                ended.observe(y, stirred if ended.run else still, full)
                over = (ended.V - self.high_l) / (OVERFULL_SD * full)
                if over > 0.0:
                    ended.logw -= 0.5 * min(9.0, over * over)
                born.append(ended)
                b.logw += LOG_GO_ON
            if turns:
                self._advance(b, when)
            else:
                b.predict(minutes, rates, full)
            nu = b.observe(y, stirred if b.run else still, full)
            if self._odd(b, when, nu):
                born += self._split(b, 1 if nu > 0 else -1, when, y)
        if born:
            self.branches += born

    def _odd(self, b: Branch, when: float, nu: float) -> bool:
        """Keep a branch's cumulative sums; True when the readings no longer fit it."""
        clipped = SURPRISE if nu > SURPRISE else -SURPRISE if nu < -SURPRISE else nu
        up, down = b.up + clipped - DRIFT_ALLOWED, b.down - clipped - DRIFT_ALLOWED
        if up <= 0.0:
            up, b.quiet_up = 0.0, when
        if down <= 0.0:
            down, b.quiet_down = 0.0, when
        b.up, b.down = up, down
        if up > DRIFT_LIMIT or down > DRIFT_LIMIT or nu > SURPRISE or nu < -SURPRISE:
            return True
        calm_for = when - b.calm_at
        if calm_for >= CALM_EVERY_S and (up + down < 1.0 or calm_for > STALE_CALM_S):
            b.keep_calm(when)
        return False

    def _split(self, b: Branch, sign: int, when: float, y: float) -> list[Branch]:
        """The explanations of a surprise that physics allows, each re-run from the calm moment before it and weighed
        against the branch by the same readings told with it and with nothing: a lone branch's weight counts none."""
        calm = b.calm
        if calm is None:
            return []
        quiet = max(calm.calm_at, b.quiet_up if sign > 0 else b.quiet_down)
        late = [at for at, _ in list(self.recent)[-MOMENTS:] if at > quiet]
        since = [r for r in self.recent if r[0] > calm.calm_at]
        since.append((when, y))
        flow = LOG_DRAIN if sign < 0 else LOG_ADD + HINT_FORCE * (when - self.said < SAID_S)
        told = [(flow, "flow", at) for at in (quiet, *late[-1:])]
        if self.known is None:
            right = calm.run if sign > 0 else not calm.run
            if right:
                told += [(LOG_TOGGLE, "turn", at) for at in (quiet, *late)]
                told.append((LOG_TOGGLE + LOG_ODD_RUN, "odd turn", late[-1] if late else quiet))
                if self.runs < NEW_RUNS:
                    told += [(LOG_TOGGLE, "fast turn", at) for at in (quiet, *late[-1:])]
            elif when - calm.toggled > REBASE_AFTER_S:
                told.append((LOG_REBASE, "rebase", quiet))
        b.up = b.down = 0.0
        now = b.logw - self._retell(calm, "nothing", 0.0, sign, when, since).logw
        born = [self._retell(calm, kind, prior + now, sign, odd, since) for prior, kind, odd in told]
        for child in born:
            child.heard = b.heard  # its weight begins at the branch's own
        return born

    def _retell(
        self, calm: Branch, kind: str, prior: float, sign: int, odd: float, since: list[tuple[float, float]]
    ) -> Branch:
        """One explanation, from the calm moment: `turn` of the pump, a `flow`, a `rebase`, or `nothing`."""
        b = calm.copy()
        b.logw += prior
        b.born = since[-1][0]
        still, stirred = self.noise(), self.noise(True)
        now, done, rates, full = calm.calm_at, False, self.rates, self.full_l
        predict, observe = b.predict, b.observe
        for when, y in since:
            if not done and when > odd:
                self._explain(b, kind, sign, (max(odd, now) + when) / 2.0 if kind != "flow" else odd, now)
                now, done = max(now, (max(odd, now) + when) / 2.0) if kind != "flow" else now, True
            step_s = when - now
            predict(step_s / 60.0 if step_s > 0.0 else 0.0, rates, full)
            observe(y, stirred if b.run else still, full)
            b.quiet_up = b.quiet_down = now = when
            if done:
                b.up = b.down = 0.0
        return b

    def _advance_from(self, b: Branch, now: float, when: float) -> None:
        b.predict(max(0.0, when - now) / 60.0, self.rates, self.full_l)

    def _explain(self, b: Branch, kind: str, sign: int, when: float, now: float) -> None:
        """Make the branch hold the explanation from `when` on."""
        if kind == "flow":
            b.open_flow(when, sign, self.full_l)
            b.calm, b.calm_at = None, when
            return
        self._advance_from(b, now, when)
        if kind == "rebase":
            self._undo(b, sign)
            b.rebase(sign)
        b.toggle(when, self.rates, FAST_PACE if kind == "fast turn" else 1.0)
        if kind == "odd turn":
            b.phh += (ODD_RUN * b.H) ** 2
        b.keep_calm(when)

    def _undo(self, b: Branch, sign: int) -> None:
        """The pump's state was misjudged since its last turn: what was told then of a rise, or fall, as large as what
        it holds up was that turn, and is told anew as nothing."""
        held = b.H + b.G

        def was_turn(p: Poured) -> bool:
            like = abs(abs(p.volume_l) - held) < LIKE_HELD * held + 2.0 * self.spread
            return like and p.volume_l * sign < 0.0 and p.start > b.toggled - 60.0

        pending = [p for p in b.poured if was_turn(p)]
        told = [p for p in self.told if was_turn(p)]
        if pending:
            b.poured = tuple(p for p in b.poured if p is not pending[-1])
        elif told:
            b.poured += (Poured(told[-1].start, told[-1].end, 0.0, told[-1].variance),)
        if pending or told:
            b.logw += LOG_TOGGLE - LOG_REBASE  # no wonder: it explains two things at once

    def running_share(self, when: float) -> float:
        """How much of this hour of the week the pump usually runs, 0..1."""
        return week.running_share(self, when)

    def week_share(self) -> float:
        """How much of a week the pump usually runs, 0..1; kept until an hour teaches more."""
        return week.week_share(self)

    def loss_ahead(self, when: float, hours: int) -> Floats:
        """Litres lost after 1, 2, … hours from `when`, as the week usually goes; at most four weeks ahead."""
        return week.loss_ahead(self, when, hours)

    def loss_since(self, when: float) -> float:
        """Litres lost from the last reading that counted to `when`, as the week usually goes."""
        return week.loss_since(self, when)

    def shift(self, litres: float) -> None:
        """The curve has changed: the same level now stands for so many litres more."""
        for b in self.branches:
            b.V += litres
            b.moved += litres
            b.v0 += litres
            b.keep_calm(self.time)
        self.recent.clear()
        self.last_y += litres

    def hint(self, volume_l: float, when: float) -> None:
        """A person said that so much was added at about `when` (epoch s)."""
        entered.hear(self, volume_l, when)

    def habit_at(self, hour: int) -> tuple[float, float]:
        """Hours seen idle and running at this hour of the week, and, for less, at the same hour of its other days."""
        return week.habit_at(self, hour)

    def _thin(self) -> None:
        """Drop branches that are out of the running, join those that tell the same story."""
        self.thinned = self.time
        top = self.best().logw
        kept: list[Branch] = []
        for b in sorted(self.branches, key=by_weight):
            if len(kept) >= MAX_BRANCHES:
                break
            if b.logw < top - (FORGOTTEN if self.time - b.born < YOUNG_S else FORGOTTEN_OLD):
                continue
            twin = next((k for k in kept if k.same_story(b)), None)
            if twin is None:
                kept.append(b)
            else:
                twin.logw += log1p(exp(b.logw - twin.logw))
        self.branches = kept

    def settled(self, when: float) -> list[Poured]:
        """Inflows and outflows that are now sure and whole. `when` epoch s.

        One that was told before and is now seen otherwise comes again, under the same `start`.
        """
        for b in self.branches:
            still = when - b.toggled >= SETTLE_MIN * 60.0 or when - b.end > 3600.0
            if b.start and not b.flow and when - b.end >= SETTLE_MIN * 60.0 and still:
                b.close_book(when, SMALLEST_SHARE * self.full_l)
        best = self.best()
        told: list[Poured] = []
        while best.poured and not self._may_be_stuck():
            first = best.poured[0]
            if not self._sure(first, when) or self._told_before(first) and when - best.toggled < BEARS_OUT_S:
                break
            for b in self.branches:
                b.poured = tuple(p for p in b.poured if not _same(p, first))
            entered.done(self)
            news = self._news(first)
            if news is not None:
                told.append(news)
        return told

    def _news(self, poured: Poured) -> Poured | None:
        """What is new in an inflow: all of it, or its volume if that is now judged clearly otherwise."""
        before = self._told_before(poured)
        if before is None:
            if abs(poured.volume_l) < self.smallest_l(poured):
                return None
            self.told.append(poured)
            return poured
        if abs(before.volume_l - poured.volume_l) < 0.01 * self.full_l:
            return None
        poured.start = before.start
        self.told[self.told.index(before)] = poured
        return poured

    def _told_before(self, poured: Poured) -> Poured | None:
        return next((t for t in self.told if _same(t, poured)), None)

    def smallest_l(self, poured: Poured) -> float:
        """L below which an inflow is not told; of one in a gap the branches have weighed already that it was none."""
        sure = SURE_GAP_SD if poured.in_gap else SURE_SD
        return max(SMALLEST_TOLD * self.full_l, sure * sqrt(poured.variance))

    def _sure(self, poured: Poured, when: float) -> bool:
        weights = self.weights()
        mass = sum(w for w, b in zip(weights, self.branches, strict=True) if b.tells(poured))
        return mass >= SURE or (mass > 0.5 and when - poured.end > GIVE_UP_S)


def _same(a: Poured, b: Poured) -> bool:
    """Two branches' tellings of one inflow."""
    return abs(a.start - b.start) < SAME_S or (a.start <= b.end and b.start <= a.end)
