"""The supervisor's figures of some days: litres, cost, time in the band, turnovers, salts, what was asked and done."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import hypot
from typing import Any

from agent.core import use
from agent.core.alarms import CAME_UP
from agent.core.spec import SumpSpec
from agent.core.use import Held, Poured
from dashboards.desk import Ask
from dashboards.show import A_DAY_S, NINE_IN_TEN_SD, Show

MOST_ROWS = 20_000
STEPS_A_RANGE = 1_500  # beliefs a sump: half an hour over a month, six hours over a year
LEAST_STEP_S = 1_800.0
LOOK_BACK_S = 60 * A_DAY_S  # for the last new charge and the last reading, at first
PACE_DAYS = 28.0  # concentrate lasts at the pace of so long
ADDED = ("top_off", "recharge")


@dataclass(frozen=True, slots=True)
class Span:
    """Some days, from midnight to midnight or to now, in epoch s."""

    key: str
    t0: float
    t1: float

    @property
    def days(self) -> float:
        return (self.t1 - self.t0) / A_DAY_S


@dataclass(frozen=True, slots=True)
class SumpUse:
    """One sump's figures. `cost` None where no price is known; `salts` times the makeup water's."""

    spec: SumpSpec
    poured: Poured
    spread: tuple[float, float]  # of the litres of mix and of concentrate poured, 1 sd
    held: Held
    cost: float | None
    turnovers: float
    salts: tuple[float, float] | None  # from … to, nine times in ten
    charge_days: float | None  # since it was last filled anew; None: not known, counted from the first record
    read_at: float | None  # last hand reading or titration
    losses: (
        tuple[float, float, float, float] | None
    )  # evaporation, carry-off L/day; share of the first, its 90 % half width


@dataclass(frozen=True, slots=True)
class Asked:
    """Instructions by what became of them."""

    given: int = 0
    done: int = 0
    changed: int = 0
    declined: int = 0
    unproven: int = 0


@dataclass(frozen=True, slots=True)
class AlertRate:
    """How many alerts came up, those that came back too, in the days of a span that the journal covers."""

    came_up: int
    days: float
    sumps: int

    @property
    def per_sump_week(self) -> float | None:
        """By the number of sumps, since who has more sumps has more alerts; None over less than a day."""
        return None if self.days < 1.0 else self.came_up / (self.sumps * self.days / 7.0)


@dataclass(frozen=True, slots=True)
class Stock:
    """Concentrate of one product: litres now, days it lasts at the late pace, when to order."""

    fluid: str
    litres: float
    counted_at: float
    lasts_days: float | None
    order_in_days: float | None


def span_of(key: str, now_s: float, show: Show) -> Span:
    """`week` this one since Monday, `last` the one before, `month` 28 days, `year` 365 days."""
    today = show.moment(now_s).date()
    monday = today - timedelta(days=today.weekday())
    if key == "last":
        return Span(key, _midnight(monday - timedelta(days=7), show), _midnight(monday, show))
    if key in ("month", "year"):
        return Span(key, _midnight(today - timedelta(days=27 if key == "month" else 364), show), now_s)
    return Span("week", _midnight(monday, show), now_s)


def _midnight(day: Any, show: Show) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=show.zone).timestamp()


def of_sump(ask: Ask, spec: SumpSpec, span: Span, price: float | None) -> SumpUse:
    """One sump's figures over a span."""
    queries, now_s = ask.desk.queries, ask.now_s
    step_s = max(LEAST_STEP_S, (span.t1 - span.t0) / STEPS_A_RANGE)
    rows = queries.beliefs_spread(spec.id, span.t0 - step_s, span.t1, step_s)
    beliefs = [(r["time"], r["volume_l"], r["strength_pct"], r["status"]) for r in rows]
    findings = _since_filled(ask, spec.id, span)
    found = _additions(findings)
    went_in = use.poured((v, pct) for at, kind, v, pct in found if span.t0 <= at < span.t1)
    filled = max((at for at, kind, _, _ in found if kind == "recharge" and at < span.t1), default=None)
    since = filled if filled is not None else min((at for at, *_ in found), default=None)
    topped = use.poured((v, pct) for at, kind, v, pct in found if kind == "top_off" and (since or 0.0) <= at < span.t1)
    newest = ask.belief(spec.id)
    readings = queries.readings(spec.id, now_s - LOOK_BACK_S) or queries.readings(spec.id, now_s - 400 * A_DAY_S)
    return SumpUse(
        spec=spec, poured=went_in, spread=_spread(findings, span),
        held=use.held(spec, beliefs, span.t0, span.t1, max(use.LONGEST_GAP_S, 1.5 * step_s)),
        cost=None if price is None else went_in.concentrate_l * price,
        turnovers=topped.turnovers(spec.full_l), salts=_salts(spec, newest, since, span.t1),
        charge_days=None if filled is None else (span.t1 - filled) / A_DAY_S,
        read_at=(readings[-1].get("at") or readings[-1]["time"]) if readings else None,
        losses=_losses(newest),
    )  # fmt: skip


def _since_filled(ask: Ask, sump: str, span: Span) -> list[dict[str, Any]]:
    """What was found in a span, and before it back to the last new charge; years ago are read only where none was."""
    back_s = LOOK_BACK_S
    while True:
        since = span.t0 - back_s
        findings = ask.desk.queries.findings(sump, since)
        if since <= 0.0 or any(f["kind"] == "recharge" and f["start"] < span.t1 for f in findings):
            return findings
        back_s *= 16.0


def _additions(findings: Iterable[dict[str, Any]]) -> list[tuple[float, str, float, float]]:
    return [
        (f["start"], f["kind"], f["volume_l"], f.get("makeup_pct") or 0.0)
        for f in findings
        if f["kind"] in ADDED and f.get("volume_l") is not None
    ]


def _spread(findings: Iterable[dict[str, Any]], span: Span) -> tuple[float, float]:
    """How far the litres of mix and of concentrate that went in are known, 1 sd each; additions err apart."""
    rows = [f for f in findings if f["kind"] in ADDED and f.get("volume_l") and span.t0 <= f["start"] < span.t1]
    sds = [(f.get("volume_sd") or 0.0, f.get("makeup_sd") or 0.0, f) for f in rows]
    concentrate = [hypot(v * (f.get("makeup_pct") or 0.0), f["volume_l"] * m) / 100.0 for v, m, f in sds]
    return hypot(*(v for v, _, _ in sds)), hypot(*concentrate)


def _salts(
    spec: SumpSpec, belief: dict[str, Any] | None, since: float | None, until: float
) -> tuple[float, float] | None:
    """By how far the split of the losses is known."""
    if belief is None or since is None:
        return None
    days = max(0.0, (until - since) / A_DAY_S)
    lost = belief["evaporation_l_per_day"] + belief["carry_off_l_per_day"]
    share, half = belief["evaporation_share"], NINE_IN_TEN_SD * belief["evaporation_share_sd"]
    ends = (min(max(share + sign * half, 0.0), 1.0) * lost for sign in (-1.0, 1.0))
    low, high = (use.salts_times_water(water, lost - water, spec.full_l, days) for water in ends)
    return low, high


def _losses(belief: dict[str, Any] | None) -> tuple[float, float, float, float] | None:
    if belief is None:
        return None
    half = NINE_IN_TEN_SD * belief["evaporation_share_sd"]
    return belief["evaporation_l_per_day"], belief["carry_off_l_per_day"], belief["evaporation_share"], half


def asked(ask: Ask, span: Span) -> Asked:
    """What became of the instructions of a span."""
    rows = [row.data() for row in ask.desk.queries.rows("review", None, span.t0, span.t1, MOST_ROWS)]
    taken = [r["event"] for r in rows if r.get("to")]
    count = taken.count
    return Asked(count("post"), count("done"), count("amend"), count("decline"), count("disprove"))


def alert_rate(ask: Ask, t0: float, t1: float) -> AlertRate:
    """Of the whole site, t0 <= time < t1 (epoch s); what was before the first row of the journal does not count."""
    events = [row.data().get("event") for row in ask.desk.queries.rows("alert", None, t0, t1, MOST_ROWS)]
    began = ask.desk.queries.began_at()
    days = 0.0 if began is None else max(0.0, t1 - max(t0, began)) / A_DAY_S
    return AlertRate(sum(event in CAME_UP for event in events), days, len(ask.desk.site.sumps))


def stocks(ask: Ask) -> list[Stock]:
    """What is left of each product that somebody has counted: counted, and delivered since, less what went in since."""
    said: dict[str, list[tuple[float, str, float]]] = {}
    for row in ask.desk.queries.lasting("stock"):
        body = row.data()
        said.setdefault(body.get("fluid") or "", []).append((row.time, body["what"], body["volume_l"]))
    return [found for fluid, rows in sorted(said.items()) if (found := _stock(ask, fluid, rows)) is not None]


def _stock(ask: Ask, fluid: str, rows: list[tuple[float, str, float]]) -> Stock | None:
    counted = [row for row in rows if row[1] == "counted"]
    if not counted:
        return None
    at, _, litres = counted[-1]
    litres += sum(volume_l for time, what, volume_l in rows if what == "delivered" and time > at)
    litres = max(0.0, litres - _concentrate_l(ask, fluid, at))
    late_l = _concentrate_l(ask, fluid, ask.now_s - PACE_DAYS * A_DAY_S)
    lasts = use.days_of_stock(litres, late_l, PACE_DAYS)
    lead_days = float(ask.desk.file.stock.lead_days)
    return Stock(fluid, litres, at, lasts, None if lasts is None else max(0.0, lasts - lead_days))


def _concentrate_l(ask: Ask, fluid: str, since: float) -> float:
    """Litres of a product that went into the sumps since then, as found."""
    sumps = [sump.id for sump in ask.desk.file.sump if not fluid or sump.fluid.name == fluid]
    found = (_additions(ask.desk.queries.findings(id, since)) for id in sumps)
    return use.poured((v, pct) for rows in found for at, _, v, pct in rows if at >= since).concentrate_l
