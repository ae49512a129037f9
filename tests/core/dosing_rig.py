"""A valve, a tank and people who try everything, around the dosing core; what must never be is looked at each time.

The tank and the valve know nothing of the core's own figures: the valve's driver is the dead man alone, what flows is
counted by the tank, and what was approved by whom is kept here.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from agent.core import dosing
from agent.core.dosing import Doser, DoseRefused, Limits, Order, Picture
from agent.core.review import PEOPLE, REVIEWERS

LIMITS = Limits(
    sump="mill-2",
    pct=2.5,
    rate_l_per_min=12.0,
    max_dose_l=20.0,
    max_hour_l=30.0,
    max_day_l=50.0,
    margin_l=5.0,
    high_l=360.0,
    period_s=1.0,
)
ROLES = (*sorted(PEOPLE), "agent", "policy", "visitor")
TICK_S = 0.2
ALL = frozenset(dosing.PHASES)


@dataclass
class Window:
    """Litres within the last `span_s`."""

    span_s: float
    litres: float = 0.0
    flows: deque[tuple[float, float]] = field(default_factory=deque)  # (steady s, litres)

    def add(self, at_s: float, litres: float) -> None:
        self.flows.append((at_s, litres))
        self.litres += litres

    def upto(self, now_s: float) -> float:
        """The sum now; what is older is forgotten."""
        while self.flows and now_s - self.flows[0][0] >= self.span_s:
            self.litres -= self.flows.popleft()[1]
        return self.litres


@dataclass
class Valve:
    """What stands at the sump: it is on while the dead man holds it, whatever the agent believes."""

    dead_man: dosing.DeadMan = field(default_factory=dosing.DeadMan)
    sticks_shut: bool = False
    total_l: float = 0.0
    hour: Window = field(default_factory=lambda: Window(dosing.HOUR_S))
    day: Window = field(default_factory=lambda: Window(dosing.DAY_S))

    def flow_l(self, start_s: float, end_s: float) -> float:
        """Litres that came through in a stretch of time in which nothing was renewed."""
        open_s = max(0.0, min(end_s, self.dead_man.until_s) - start_s)
        litres = 0.0 if self.sticks_shut else open_s * LIMITS.rate_l_per_s
        if litres:
            self.total_l += litres
            self.hour.add(end_s, litres)
            self.day.add(end_s, litres)
        return litres


class Rig:
    """One event after the other; each ends by looking whether anything is broken."""

    def __init__(self, volume_l: float = 300.0) -> None:
        self.now_s = 100_000.0
        self.volume_l = volume_l
        self.state = Doser()
        self.valve = Valve()
        self.doubt = ""
        self.stuck_at: float | None = None
        self.stuck_since_s = float("inf")
        self.at_s: float | None = None
        self.moved_s, self.seen_l, self.wobble = self.now_s, volume_l, 0
        self.silent = False
        self.approved: dict[str, Order] = {}  # every order that a reviewer's select was taken for
        self.opened: list[str] = []  # keys, in the order in which they opened the valve
        self.dose_from_s, self.before_l = self.now_s, 0.0
        self.orphan_until_s = self.now_s
        self.events = self.words = 0
        self.doses = 0
        self.sample()

    # -- the world --------------------------------------------------------------------------------------------

    def sample(self) -> None:
        """A reading of the level, unless the sensor is silent; a stuck one repeats itself."""
        if self.silent:
            return
        self.at_s = self.now_s
        self.wobble ^= 1
        seen = self.volume_l + 0.1 * self.wobble if self.stuck_at is None else self.stuck_at
        if seen != self.seen_l:
            self.moved_s = self.now_s
        self.seen_l = seen

    @property
    def picture(self) -> Picture:
        return Picture(self.at_s, self.moved_s, self.seen_l, self.doubt, self.seen_l)

    def _pass(self, seconds: float) -> None:
        self.volume_l += self.valve.flow_l(self.now_s, self.now_s + seconds)
        self.now_s += seconds

    def _take(self, state: Doser) -> None:
        """What the agent does with a new state: the driver hears at once of an end, and of nothing else."""
        if self.state.opens and not state.opens:
            self.valve.dead_man.close()
            self.doses += 1
        self.state = state

    # -- events -----------------------------------------------------------------------------------------------

    def tick(self, times: int = 1, sampled: bool = True) -> None:
        """The agent's loop runs for a while."""
        for _ in range(times):
            self._pass(TICK_S)
            if sampled:
                self.sample()
            self._take(dosing.tick(self.state, self.picture, LIMITS, self.now_s))
            if self.state.opens:
                assert dosing.blind(self.picture, LIMITS, self.now_s) == "", "renewed upon a doubtful picture"
                assert self.state.order is not None and self.state.order.key == self.opened[-1]
                self.valve.dead_man.renew(self.now_s)
            self.check()

    def hang(self, seconds: float) -> None:
        """The agent does nothing for a while, or its process is away: the driver is alone."""
        self._pass(seconds)
        self.check()

    def wait(self, seconds: float) -> None:
        """Time goes by with a look now and then."""
        for _ in range(3):
            self._pass(seconds / 3.0)
            self.sample()
            self.tick()

    def make_order(self, volume_l: float, pct: float, for_s: float, sump: str, shown: str) -> Order:
        seen, expires_s = self.picture, self.now_s + for_s
        self.words += 1
        return Order(
            sump, "a-1", volume_l, pct, shown, f"w{self.words}", "Ana", expires_s, seen.level_l, seen.believed_l
        )

    def select(
        self,
        volume_l: float = 10.0,
        role: str = "supervisor",
        pct: float = LIMITS.pct,
        for_s: float = dosing.EXPIRY_S,
        sump: str = "mill-2",
        shown: str = "x",
    ) -> str:
        """Somebody approves a dose; the key, or "" where it was refused."""
        order = self.make_order(volume_l, pct, for_s, sump, shown)
        try:
            state = dosing.select(self.state, order, role, self.picture, LIMITS, self.now_s)
        except DoseRefused:
            self.check()
            return ""
        assert role in REVIEWERS, "approved by somebody who may not"
        self.approved[order.key] = order
        self._take(state)
        self.check()
        return order.key

    def operate(self, key: str, role: str = "operator") -> bool:
        """Somebody lets it run."""
        try:
            state = dosing.operate(self.state, key, role, self.picture, LIMITS, self.now_s)
        except DoseRefused:
            self.check()
            return False
        order = self.approved[key]
        assert role in PEOPLE, "begun by a machine"
        assert key not in self.opened, "an approval was used twice"
        assert self.state.phase == dosing.SELECTED and self.now_s < order.expires_s
        assert order.pct == LIMITS.pct and order.sump == LIMITS.sump
        assert dosing.moved(order, self.picture) == ""
        self.opened.append(key)
        self.dose_from_s, self.before_l = self.now_s, self.valve.total_l
        self._take(state)
        self.check()
        return True

    def reset(self, role: str = "supervisor") -> None:
        try:
            state = dosing.reset(self.state, role)
        except DoseRefused:
            return
        assert role in REVIEWERS and self.state.phase == dosing.LOCKED
        self._take(state)
        self.check()

    def stop(self) -> None:
        self._take(dosing.stop(self.state, "Ana", LIMITS, self.now_s))
        assert not self.state.opens
        self.check()

    def fault(self) -> None:
        """The driver says that it cannot do what it is told."""
        self._take(dosing.lock(self.state, "the valve does not answer", LIMITS, self.now_s))
        assert self.state.phase == dosing.LOCKED
        self.check()

    def restart(self, pipe_closes: bool = True) -> None:
        """The agent is killed; its driver sees the pipe close, or hears nothing more; what was given is read back."""
        given = [*self.state.given]
        if self.state.opens and self.state.order is not None:
            given.append((self.now_s, self.state.order.volume_l))  # begun, and no end was written
        if pipe_closes:
            self.valve.dead_man.close()
        self.orphan_until_s = self.valve.dead_man.until_s
        self.state = Doser(given=tuple(given))
        self.check()
        assert self.state.phase == dosing.LOCKED

    def stick(self, stuck: bool) -> None:
        """The sensor's float jams where it is, or is freed; whoever frees it sees to the level."""
        self.stuck_at = self.seen_l if stuck else None
        self.stuck_since_s = self.now_s if stuck else float("inf")
        if not stuck:
            self.volume_l = min(self.volume_l, LIMITS.high_l - LIMITS.margin_l)
        self.sample()
        self.check()

    def pour(self, litres: float) -> None:
        """Somebody pours from a bucket, or drains: to where no valve is involved."""
        self.volume_l = min(max(self.volume_l + litres, 100.0), LIMITS.high_l - LIMITS.margin_l)
        self.sample()
        self.check()

    # -- what must never be -----------------------------------------------------------------------------------

    def check(self) -> None:
        self.events += 1
        now_s = self.now_s
        assert self.state.phase in ALL
        assert self.valve.dead_man.until_s <= now_s + dosing.HOLD_S, "held for longer than the dead man's time"
        if self.valve.dead_man.is_open(now_s):
            assert self.state.opens or now_s < self.orphan_until_s, "open, and nobody wants it"
        slack_l = 1e-6
        if self.opened:
            dose_l = self.valve.total_l - self.before_l
            ordered_l = self.approved[self.opened[-1]].volume_l
            assert dose_l <= ordered_l + slack_l, f"{dose_l} L given, {ordered_l} L ordered"
            assert ordered_l <= LIMITS.max_dose_l
            if self.stuck_since_s < self.dose_from_s:
                blind_l = max(dosing.ANSWER_LEAST_L, dosing.ANSWER_SHARE * ordered_l)
                assert dose_l <= blind_l + LIMITS.rate_l_per_s * (dosing.HOLD_S + TICK_S), "dosed on without an answer"
        assert self.valve.hour.upto(now_s) <= LIMITS.max_hour_l + slack_l
        assert self.valve.day.upto(now_s) <= LIMITS.max_day_l + slack_l
        if self.stuck_at is None:
            assert self.volume_l <= LIMITS.high_l, "overfilled"

    def counted(self) -> None:
        """What the core counted is never less than what flowed."""
        flowed_l = self.valve.day.upto(self.now_s)
        counted_l = sum(litres for _, litres in self.state.given) + (self.state.poured_l if self.state.opens else 0.0)
        assert flowed_l <= counted_l + dosing.HOLD_S * LIMITS.rate_l_per_s + 1e-6
