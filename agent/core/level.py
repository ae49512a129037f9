"""The level tracker: from level readings to the volume at rest, the pump's state and what was added.

One sump's level reading, turned into litres by the curve, shows

    y = V − H·u1(t) − G·u2(t) + noise

V volume at rest (L); H, G litres held up while the pump runs, of which H comes back quickly and G slowly. While
the pump runs u1 and u2 rise to 1, both by the shape that this sump's starts have shown (agent.core.holdup); after
it stops both fall to 0, u1 by the shape of its stops, u2 with a time constant that long stops have shown
(agent.core.learn). (V, H, G) is Gaussian within a *branch*; a branch says whether the pump runs and whether an
inflow (or outflow) is under way. Where a reading surprises a branch it splits from its last calm moment into the
explanations that physics allows, each re-run over the readings since then; the likelihood of what follows picks
one. Quiet stretches cost one branch.

Volumes in L, times in epoch seconds, rates in L/min inside this file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log, pi, sqrt

from agent.core.holdup import LAGS, Shape

TAU_ON_MIN = 2.5  # circulation fills within 1-5 min of a start
TAU_OFF_MIN = 2.0  # most returns within 2-5 min of a stop
TAU_TAIL_MIN = 35.0  # the rest returns in 30-90 min; at first, until long stops have shown this sump's own
SHAPE_FORCE = 1.4  # on the shape's learned spread: errors of one turn hang together
TAIL_ERROR = 0.10  # the same for the tail, whose size is learned

SPIKE_SHARE = 0.004  # readings that are not of this world
SURPRISE = 4.0  # sd beyond which one reading is a surprise
DRIFT_ALLOWED = 0.6  # cumulative-sum slack, sd per reading
DRIFT_LIMIT = 6.0  # cumulative-sum limit, sd

LOG_TOGGLE = log(0.05)  # a start or a stop, where no contact tells
LOG_REBASE = log(5e-4)  # the pump's state was misjudged all along
LOG_ADD = log(1e-3)  # an inflow begins
LOG_DRAIN = log(2e-6)  # an outflow begins
LOG_END = log(0.2)  # an inflow ends at this reading
LOG_GO_ON = log(0.8)
SETTLE_MIN = 12.0  # after an inflow, before its volume is taken
JOIN_MIN = 15.0  # inflows nearer than this are one addition, poured by the bucket
GAP_LOSS_SD = 0.4  # of what a sump usually loses in a gap, 1 sd as a share of it
SMALLEST_SHARE = 0.006  # of full: inflows below this are taken for the pump's whims
GAP_MIN = 25.0  # without readings: the pump's state is unknown again, an addition may hide in it
MAX_BRANCHES = 10
FORGOTTEN = 16.0  # log-odds against a branch at which it is dropped
CALM_EVERY_S = 240.0
HELD = 0.095, 0.06  # mean and sd of what is held up and returns quickly, share of full
TAIL = 0.012, 0.012  # the same of what returns slowly
FRESH_FLOW = 0.04  # 1 sd of what the first reading of an inflow may show, share of full
CYCLE_WOBBLE = 0.04  # 1 sd from cycle to cycle of what is held up, as a share of it
HALF_LOG_2PI = 0.5 * log(2.0 * pi)


@dataclass(slots=True)
class Poured:
    """An inflow (volume_l > 0) or outflow (< 0) of one branch; start, end epoch s."""

    start: float
    end: float
    volume_l: float
    variance: float
    in_gap: bool = False
    before_l: float = 0.0


@dataclass(slots=True)
class Rates:
    """Learned on the way: L/min lost while running and idle, the variance by which V walks, L² a minute; what a run
    holds up, mean and sd over runs, and how fast that goes out and comes back."""

    running: float
    idle: float
    walk: float
    held_l: float
    held_sd: float
    tail_l: float
    tail_sd: float
    tail_min: float = TAU_TAIL_MIN
    start: Shape = field(default_factory=lambda: Shape(TAU_ON_MIN))
    stop: Shape = field(default_factory=lambda: Shape(TAU_OFF_MIN))


class Branch:
    """One explanation of the readings so far. Plain attributes: this is the hot path."""

    __slots__ = (
        "logw", "run", "u1", "u2", "V", "H", "G", "pvv",
        "pvh", "pvg", "phh", "phg", "pgg", "up", "down", "quiet_up",
        "quiet_down", "flow", "rate", "start", "v0", "p0", "s0", "end",
        "gap", "lost", "moved", "fresh", "skipped", "poured", "calm", "calm_at",
        "toggled", "born", "lag", "turn_u", "turn_w", "pace", "moving", "heard",
    )  # fmt: skip

    def __init__(self, y: float, noise: float, rates: Rates, run: bool) -> None:
        self.logw = 0.0
        self.run = run
        self.u1 = self.u2 = u = 1.0 if run else 0.0
        self.H, self.G = rates.held_l, rates.tail_l
        self.V = y + u * (self.H + self.G)
        self.phh, self.phg, self.pgg = rates.held_sd**2, 0.0, rates.tail_sd**2
        self.pvv = noise + u * (self.phh + self.pgg)
        self.pvh, self.pvg = u * self.phh, u * self.pgg
        self.up = self.down = 0.0  # one-sided cumulative sums of the innovations, sd
        self.quiet_up = self.quiet_down = 0.0  # epoch s when each last stood at nothing odd
        self.flow = 0  # +1 inflow under way, −1 outflow, 0 none
        self.rate = 0.0  # L/min of it
        self.skipped = False  # the last reading counted as a spike
        self.fresh = False  # it has just begun, nothing is known of its rate
        self.start = 0.0  # epoch s of the first inflow; 0 = none open or settling
        self.v0 = self.p0 = self.s0 = 0.0  # V, its variance and that of what is seen, at `start`
        self.end = 0.0
        self.gap = False
        self.lost = 0.0  # L lost while the inflow was open
        self.moved = 0.0  # L poured in less let out so far, closed books only
        self.poured: tuple[Poured, ...] = ()
        self.calm: Branch | None = None
        self.calm_at = 0.0
        self.lag = 1e6  # minutes since the pump's last start or stop
        self.turn_u = self.turn_w = u  # u1 and u2 at that moment
        self.pace = 1.0  # how much faster than this sump's shape says the turn goes
        self.moving = 0.0  # 1 sd of u1 from the shape of the transient
        self.born = 0.0  # epoch s at which it split from another
        self.heard = 0.0  # what the last word on an inflow has added to logw
        self.toggled = 0.0  # epoch s of the last start or stop of the pump

    def copy(self) -> Branch:
        """A branch of its own with the same numbers. Written out: a loop over names costs four times as much."""
        o = Branch.__new__(Branch)
        o.logw, o.run, o.u1, o.u2 = self.logw, self.run, self.u1, self.u2
        o.V, o.H, o.G, o.pvv = self.V, self.H, self.G, self.pvv
        o.pvh, o.pvg, o.phh, o.phg = self.pvh, self.pvg, self.phh, self.phg
        o.pgg, o.up, o.down, o.quiet_up = self.pgg, self.up, self.down, self.quiet_up
        o.quiet_down, o.flow, o.rate, o.start = self.quiet_down, self.flow, self.rate, self.start
        o.v0, o.p0, o.s0, o.end = self.v0, self.p0, self.s0, self.end
        o.gap, o.lost, o.moved, o.fresh = self.gap, self.lost, self.moved, self.fresh
        o.skipped, o.poured, o.calm, o.calm_at = self.skipped, self.poured, self.calm, self.calm_at
        o.toggled, o.born, o.lag, o.turn_u = self.toggled, self.born, self.lag, self.turn_u
        o.pace, o.moving, o.turn_w, o.heard = self.pace, self.moving, self.turn_w, self.heard
        return o

    def predict(self, minutes: float, rates: Rates, full_l: float) -> None:
        """Let time pass: losses, hold-up, slow walks. minutes ≥ 0."""
        lag = self.lag = self.lag + minutes * self.pace
        if lag < LAGS:
            shape = rates.start if self.run else rates.stop
            k = int(lag)
            left = shape.left[k] + (shape.left[k + 1] - shape.left[k]) * (lag - k)
            from_u = self.turn_u
            if self.run:
                self.u1, self.u2 = 1.0 - (1.0 - from_u) * left, 1.0 - (1.0 - self.turn_w) * left
            else:
                self.u1 = from_u * left
            self.moving = SHAPE_FORCE * shape.sd[k] * (1.0 - from_u if self.run else from_u)
        else:
            self.u1 = 1.0 if self.run else 0.0
            self.moving = 0.0
            if self.run:
                self.u2 = 1.0
        if not self.run and self.u2 > 0.0:
            self.u2 *= exp(-minutes / rates.tail_min)
        loss = (rates.running if self.run else rates.idle) * minutes
        self.V -= loss
        if self.start:
            self.lost += loss
        self.pvv += rates.walk * minutes
        if self.flow:
            self.V += self.rate * minutes
            spread = FRESH_FLOW * full_l if self.fresh else (0.6 * abs(self.rate) + 0.004 * full_l) * minutes
            self.pvv += spread * spread
            self.fresh = False

    def observe(self, y: float, noise: float, full_l: float) -> float:
        """Condition on a level reading of y litres with variance `noise`. Gives the innovation in sd.

        Kalman update of (V, H) under y = V − H·u; a reading beyond SURPRISE sd counts as a spike, with a
        density of SPIKE_SHARE over the tank, and moves nothing.
        """
        u, w = self.u1, self.u2
        moving = self.H * self.moving
        if not self.run:
            moving += TAIL_ERROR * self.G * w
        d = y - self.V + self.H * u + self.G * w
        pvv, pvh, pvg, phh, phg, pgg = self.pvv, self.pvh, self.pvg, self.phh, self.phg, self.pgg
        gv, gh, gg = pvv - u * pvh - w * pvg, pvh - u * phh - w * phg, pvg - u * phg - w * pgg
        s = gv - u * gh - w * gg + noise + moving * moving
        nu = d / sqrt(s)
        if nu > SURPRISE or nu < -SURPRISE:
            self.skipped = True
            self.logw += max(log(SPIKE_SHARE / full_l), -0.5 * (nu * nu + log(s)) - HALF_LOG_2PI)
            return nu
        self.skipped = False
        self.logw -= 0.5 * (nu * nu + log(s)) + HALF_LOG_2PI
        kv, kh, kg = gv / s, gh / s, gg / s
        self.V += kv * d
        held, tail = self.H + kh * d, self.G + kg * d
        self.H = held if held > 0.0 else 0.0
        self.G = tail if tail > 0.0 else 0.0
        self.pvv, self.pvh, self.pvg = pvv - kv * gv, pvh - kv * gh, pvg - kv * gg
        self.phh, self.phg, self.pgg = phh - kh * gh, phg - kh * gg, pgg - kg * gg
        if self.flow:
            self.rate = max(0.0, self.rate * self.flow + 0.5 * d * self.flow) * self.flow
        return nu

    def toggle(self, when: float, rates: Rates, pace: float = 1.0) -> None:
        """The pump starts or stops. Each run holds up its own volume, about this sump's usual one."""
        self.run = not self.run
        self.pace = pace
        self.toggled, self.lag, self.turn_u, self.turn_w = when, 0.0, self.u1, self.u2
        if self.run and self.u1 < 0.05:
            self.H, self.G = rates.held_l, rates.tail_l * (1.0 - self.u2) + self.G * self.u2
            self.phh, self.pgg = rates.held_sd**2, rates.tail_sd**2
            self.pvh = self.phg = self.pvg = 0.0
        else:
            self.phh += (CYCLE_WOBBLE * self.H) ** 2
            self.pgg += (CYCLE_WOBBLE * self.G) ** 2

    def open_flow(self, when: float, sign: int, full_l: float) -> None:
        """An inflow (+1) or outflow (−1) begins; one that follows the last closely goes on with it."""
        self.flow = sign
        self.rate = sign * 0.02 * full_l
        self.fresh = True
        if not (self.start and when - self.end < JOIN_MIN * 60.0 and sign > 0):
            self.close_book(when)
            self.start, self.v0, self.p0, self.lost, self.gap = when, self.V, self.pvv, 0.0, False
            self.s0 = self.seen_var()

    def end_flow(self, when: float) -> None:
        """The inflow has ended; its volume is taken once the level has settled."""
        self.flow, self.rate, self.end = 0, 0.0, when
        self.up = self.down = 0.0
        self.quiet_up = self.quiet_down = when
        self.keep_calm(when)

    def close_book(self, when: float, smallest_l: float = 0.0) -> None:
        """Take the volume of a settled inflow: what V rose, and what was lost meanwhile."""
        if self.start and not self.flow:
            volume = self.V - self.v0 + self.lost
            if abs(volume) >= smallest_l:
                variance = self.pvv + self.p0
                if self.toggled < self.start and not self.gap:
                    # before and after, the same litres are held up: what is not known of them drops out
                    variance = max(self.seen_var(), 0.0) + self.s0
                self.poured += (Poured(self.start, self.end, volume, variance, self.gap, self.v0),)
            self.moved += volume
            self.start = 0.0

    def seen_var(self) -> float:
        """Variance of the litres that the level is expected to show, L²: of V − H·u1 − G·u2."""
        u, w = self.u1, self.u2
        own = self.pvv + u * u * self.phh + w * w * self.pgg
        return own + 2.0 * (u * w * self.phg - u * self.pvh - w * self.pvg)

    def lost_so_far(self) -> float:
        """L lost since the branch began (an arbitrary zero): what left that was neither poured nor let out."""
        return self.moved - (self.v0 - self.lost if self.start else self.V)

    def keep_calm(self, when: float) -> None:
        """Remember this moment: explanations of what comes next start here."""
        self.calm = None
        self.calm = self.copy()
        self.calm_at = when
        self.calm.calm_at = when

    def rebase(self, sign: int) -> None:
        """The pump's state was misjudged all along: take it as the other one at the same level seen.

        A surprise upward (+1) with the pump taken as off: it ran, H and G were held up. Downward with the pump
        taken as running: it was off. The volume moves by H + G; nothing was poured or lost.
        """
        shift = (self.H + self.G) * sign
        self.V += shift
        self.moved += shift
        if self.start:
            self.v0 += shift
        self.pvv += self.phh + self.pgg + 2.0 * (self.phg + sign * (self.pvh + self.pvg))
        self.pvh += sign * (self.phh + self.phg)
        self.pvg += sign * (self.pgg + self.phg)
        self.settle_as(sign > 0)

    def settle_as(self, run: bool) -> None:
        """The pump has been in this state for long."""
        self.run = run
        self.u1 = self.u2 = 1.0 if run else 0.0
        self.lag, self.moving = 1e6, 0.0

    def cross_gap(self, minutes: float, middle: float, loss_l: float, rates: Rates, full_l: float) -> None:
        """Let a gap pass in which the sump usually loses `loss_l`; nobody knows what the pump did."""
        if self.flow:
            self.end_flow(middle)
            self.pvv += (0.1 * full_l) ** 2
        self.close_book(middle)
        self.V -= loss_l
        self.pvv += rates.walk * minutes + (GAP_LOSS_SD * loss_l) ** 2

    def same_story(self, other: Branch) -> bool:
        """True where two branches expect the same from now on: nothing to come can tell them apart any more."""
        if self.run != other.run or self.flow != other.flow:
            return False
        if (self.start > 0) != (other.start > 0) or (self.start and abs(self.start - other.start) > 900.0):
            return False
        if abs(self.u1 - other.u1) > 0.1 or abs(self.u2 - other.u2) > 0.3:
            return False
        far = self.V - other.V
        return far * far < 4.0 * (self.pvv + other.pvv)

    def tells(self, poured: Poured) -> bool:
        """True where this branch, too, holds that inflow, settled or not."""
        if self.start and abs(self.start - poured.start) < 1800.0:
            return True
        return any(p.start - 1200.0 < poured.start < p.end + 1200.0 for p in self.poured)


def by_weight(b: Branch) -> float:
    """To sort the likeliest first."""
    return -b.logw
