"""Advice: what a person should do at this sump at the next visit, one thing at a time.

Asked in this order, and the first that holds is posted:

1. `top_off`, `strengthen`, `thin` where the volume will reach the low mark before an instruction given now is done;
2. `look` at a leak that was found, at a level sensor that says nothing;
3. strength that is out of its band or soon will be: `ask` or `read_strength` where knowing more is worth more than
   pouring, else the mix that puts it right, or `drain_part` where no mix can in days;
4. `read_strength` because the last reading is old and another would tell much;
5. `ask` what an addition was, where the answer would tell much.

What stands is given up only for a picture that has moved clearly: every threshold has another value, further out,
once its advice is posted. Pure: state in `Sump.advice`, time as an argument.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from typing import TYPE_CHECKING

from agent.core import inquire, remedy, strength
from agent.core.belief import evaporating_share, mixture_at, quick_strength, sump_losses, volume
from agent.core.fluid import makeup_to_hold
from agent.core.measures import setting_for
from agent.core.outlook import hours_until
from agent.core.outputs import Advice, Output
from agent.core.remedy import Fill, chance_within
from agent.core.strength import Mixture
from agent.core.visits import attended_hours, hours_to_done

if TYPE_CHECKING:
    from agent.core.sump import Sump

LOOK_S = 3600.0  # a sump is looked at as often, and at once when something was found, said or read
EVERY_S = 600.0  # no more often than this is an advice rewritten
SEEN_S, SEEN_SHARE = 7200.0, 0.01  # it is judged anew after so long, or when the volume has moved by so much of full
STALE_S = 2 * 3600.0  # a level older than this is none to pour by
UNSURE_S = 1800.0  # an older one is no news
SETTLES_S = 2 * 3600.0  # an inflow that is still in doubt after this is advised on as it is
MIXES_S = 3600.0  # after an addition: strength is not judged before it has gone round
SMALLEST_SHARE = 0.06  # of full: nobody is sent for less
MARGIN_SHARE = (
    0.08  # of what lies between full and low, kept above the low mark: chips, drift and the curve move a level
)
LEAST_SHARE = 0.3  # of what lies between full and low: a sump just filled is not filled again for a coming weekend
GOES_ON_SHARE = 0.05  # of full, by which the volume must rise before a top-off for the level is given up
MOVED_SHARE = 0.03  # of full, by which the litres must move before they are written anew
MOVED_PCT = 0.3  # and the expected strength
DOUBTFUL, SETTLED = 0.85, 0.93  # chance of being in the band at which strength is acted on, and let go
WORTH = 0.10  # by which pouring must raise that chance
FAR_OUT = 0.10  # below this chance part of the sump is drained, if the losses of so many hours make too little room
ROOM_H = 96
LANDS, LEAVES = 0.65, 0.6  # out of the band, and the best pour less likely to bring it in and to keep it: room is made
READ_FOR_S = 4 * 86400.0  # and only on a reading as young as this
EXPIRES_S, EXPIRES_H = 48 * 3600.0, 20  # nobody followed it for so long, attended hours too: it is posted anew
BEFORE_S = 900.0  # somebody may have begun so long before the instruction came
NEAR = 2.5  # times as long as a visit takes: while the level is not well known its early hour says little
TOLD_OFF = 0.1  # share by which a proportioner must be off before an instruction speaks of it
POURS = ("top_off", "strengthen", "thin")


Hours = tuple[float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Sight:
    """One look at a sump: volume and its sd, L; hours to the low mark (likeliest, early); hours to the next visit's
    end; growth of the strength until then; the mixture now."""

    when: float
    litres: float
    litres_sd: float
    to_low_h: float | None
    early_h: float | None
    visit_h: float
    grows: float
    mix: Mixture


def consider(sump: Sump, when: float) -> list[Output]:
    """What is to be posted, rewritten or taken back at `when` (epoch s)."""
    posted = sump.advice
    posted.due = when + LOOK_S
    if not sump.tracker.branches or _pouring(sump, when):
        return []
    outputs: list[Output] = []
    why = _over(sump, when)
    if why:
        outputs += _take_back(sump, when, why)
    if UNSURE_S < when - sump.last_level <= STALE_S:
        return outputs  # the level may be back any minute: nothing is changed on a guess
    picture = _picture(sump, when)
    if picture == posted.seen:
        return outputs
    posted.seen = picture
    wish = _wish(sump, when)
    standing = posted.standing
    if standing is not None and (wish is None or not _same(standing, wish)):
        outputs += _take_back(sump, when, _why_gone(standing, wish, _blind(sump, when)))
        standing = None
    if wish is None:
        return outputs
    return outputs + (_post(sump, wish) if standing is None else _rewrite(sump, standing, wish))


def _picture(sump: Sump, when: float) -> tuple[object, ...]:
    """What advice rests on, as coarsely as it may move without changing any."""
    standing = sump.advice.standing
    litres, litres_sd = volume(sump, when)
    grain = SEEN_SHARE * sump.spec.full_l
    return (
        sump.spec, sump.ledger.version, int(litres / grain), int(litres_sd / grain), int(when / SEEN_S),
        standing.id if standing else "", _blind(sump, when), sump.leak.ident,
    )  # fmt: skip


def _pouring(sump: Sump, when: float) -> bool:
    """Somebody is pouring, or has just poured and the level has not settled: nothing is said on top."""
    best = sump.tracker.best()
    return bool(best.start) or any(when - p.end < SETTLES_S for p in best.poured)


# ---- what stands


def _over(sump: Sump, when: float) -> str:
    """Why the standing advice is done with, "" where it is not."""
    posted = sump.advice
    one = posted.standing
    if one is None:
        return ""
    if one.kind in POURS:
        late = sump.additions[-1].finding if sump.additions else None
        if late is not None and late.start >= posted.since - BEFORE_S and late.time > posted.since:
            return f"done: about {late.volume_l or 0.0:.0f} L went in"
    if one.kind == "drain_part":
        out = [f for f in sump.said_ids.values() if f.kind == "drained" and f.start >= posted.since - BEFORE_S]
        if out:
            return f"done: about {out[-1].volume_l or 0.0:.0f} L went out"
    if one.kind == "read_strength" and sump.readings and sump.readings[-1].time >= posted.since - BEFORE_S:
        return f"done: {sump.readings[-1].pct:.1f} % was read"
    if one.kind == "ask":
        return inquire.answered(sump, one.of or "", when)
    if when - posted.since > EXPIRES_S and attended_hours(sump, posted.since, when) > EXPIRES_H:
        return "expired: nobody followed it"
    return ""


def _same(standing: Advice, wish: Advice) -> bool:
    return standing.kind == wish.kind and standing.of == wish.of


def _why_gone(standing: Advice, wish: Advice | None, blind: bool) -> str:
    if wish is not None:
        return f"superseded: {wish.reason}"
    if standing.kind == "look":
        return "seen to, or nobody looked for a day"
    if standing.kind in POURS and blind:
        return "the level is not seen any more: nothing to pour by"
    if standing.kind in POURS or standing.kind == "drain_part":
        return "no longer needed: level and strength are where they should be"
    return "no longer needed: the answer would change little by now"


def _take_back(sump: Sump, when: float, why: str) -> list[Output]:
    posted = sump.advice
    one = posted.standing
    if one is None:
        return []
    posted.standing = None
    if one.kind in POURS:
        posted.pour_until = when
    return [replace(one, time=when, reason=why, withdrawn=True)]


def _post(sump: Sump, wish: Advice) -> list[Output]:
    posted = sump.advice
    posted.number = max(posted.number + 1, int(wish.time))
    one = replace(wish, id=f"{sump.spec.id}/advice{posted.number}")
    posted.standing = one
    posted.since = posted.written = one.time
    posted.spec = sump.spec
    if one.kind in POURS:
        posted.pour, posted.pour_since, posted.pour_until = one, one.time, float("inf")
    if one.kind == "ask" and one.of is not None:
        posted.asked = [*posted.asked[-20:], one.of]
    return [one]


def _rewrite(sump: Sump, standing: Advice, wish: Advice) -> list[Output]:
    """The same advice with other numbers, where they have moved by what a person can measure."""
    posted = sump.advice
    litres = abs((wish.volume_l or 0.0) - (standing.volume_l or 0.0))
    pct = abs((wish.expected_strength_pct or 0.0) - (standing.expected_strength_pct or 0.0))
    moved = litres > MOVED_SHARE * sump.spec.full_l or wish.makeup_pct != standing.makeup_pct or pct > MOVED_PCT
    if not moved or wish.time - posted.written < EVERY_S:
        return []
    one = replace(wish, id=standing.id)
    posted.standing, posted.written = one, one.time
    if one.kind in POURS:
        posted.pour = one
    return [one]


# ---- what is wished for


def _wish(sump: Sump, when: float) -> Advice | None:
    """The one thing to do now, with numbers; None where all is well."""
    if _blind(sump, when):
        return inquire.look(sump, when)
    litres, litres_sd = volume(sump, when)
    hours = hours_until(sump, when, litres, litres_sd, sump.spec.low_l)
    visit_h = hours_to_done(sump, when)
    margin_l = MARGIN_SHARE * (sump.spec.full_l - sump.spec.low_l)
    low_now = _level_due(sump, litres, hours_until(sump, when, litres, litres_sd, sump.spec.low_l + margin_l), visit_h)
    if low_now:
        first = inquire.read_before_filling(sump, when, hours[0])
        if first is not None:
            return first
    else:
        look = inquire.look(sump, when)
        if look is not None:
            return look
        if not _strength_asked(sump, when, litres, visit_h):
            return _later(sump, when, hours[0])
    mix = mixture_at(sump, when, litres)
    sight = Sight(when, litres, litres_sd, hours[0], hours[1], visit_h, _growth(sump, when, litres, visit_h), mix)
    if low_now:
        return _top_off(sump, sight)
    return _put_right(sump, sight) or _later(sump, when, hours[0])


def _blind(sump: Sump, when: float) -> bool:
    return when - sump.last_level > STALE_S


def _level_due(sump: Sump, litres: float, hours: Hours, visit_h: float) -> bool:
    """Will the low mark be near before an instruction given now is done? `hours` to that: likeliest, early, late."""
    standing = sump.advice.standing
    if standing is not None and standing.kind in POURS and litres < sump.advice.keep_below_l:
        return True
    spec = sump.spec
    room = litres <= spec.full_l - LEAST_SHARE * (spec.full_l - spec.low_l)
    likely_h, early_h, _ = hours
    due = room and likely_h is not None and likely_h <= NEAR * visit_h and early_h is not None and early_h <= visit_h
    if due:
        sump.advice.keep_below_l = litres + GOES_ON_SHARE * sump.spec.full_l
    return due


def _room(sump: Sump, litres: float, litres_sd: float) -> float:
    """Litres up to the full mark, and surely not above the high one."""
    spec = sump.spec
    return remedy.whole_litres(max(0.0, min(spec.full_l, spec.high_l - litres_sd) - litres))


def _growth(sump: Sump, when: float, litres: float, hours: float) -> float:
    """By what the strength grows in the coming hours from what evaporates."""
    ahead = sump.tracker.loss_ahead(when, 24 * 28)
    return exp(evaporating_share(sump) * float(ahead[int(hours)]) / max(litres, 0.1 * sump.spec.full_l))


def _stands_pct(sump: Sump) -> float | None:
    """The mix that is advised already; the usual one stays the usual one when its setting is changed."""
    standing = sump.advice.standing
    if standing is None or standing.kind not in POURS:
        return None
    return sump.spec.usual_pct if standing.kind == "top_off" else standing.makeup_pct


def _way(sump: Sump, sight: Sight, room: float) -> Fill:
    """The mix to fill `room` litres with."""
    run_day, idle_day = sump_losses(sump)
    share = strength.evaporating_share(sight.mix)
    water, carry = share * run_day + idle_day, (1.0 - share) * run_day
    days = remedy.coming(sight.mix, sight.litres, room, sight.grows, water, carry)
    spec, stands, news = sump.spec, _stands_pct(sump), _news(sump)
    return remedy.choose(
        spec, sight.mix, sight.litres, sight.litres_sd, room, spec.target_pct, days, stands, news
    )  # fmt: skip


def _news(sump: Sump) -> bool:
    """Something was read, found or set since the standing advice was first written."""
    posted = sump.advice
    found = sump.additions[-1].finding.time if sump.additions else 0.0
    read = sump.readings[-1].time if sump.readings else 0.0
    return max(found, read) > posted.since or posted.spec is not sump.spec and posted.spec != sump.spec


def _top_off(sump: Sump, sight: Sight) -> Advice | None:
    """Fill up, for the level's sake."""
    spec = sump.spec
    room = _room(sump, sight.litres, sight.litres_sd)
    if room < 0.5 * SMALLEST_SHARE * spec.full_l:
        return None
    way = _way(sump, sight, room)
    low_h = sight.to_low_h
    if sight.litres <= spec.low_l:
        why = f"The level is below its low mark of {spec.low_l:.0f} L"
    else:
        why = f"The level reaches its low mark of {spec.low_l:.0f} L in about {low_h or 0.0:.0f} h"
    return _pour(sump, sight, way, why, sight.early_h)


def _put_right(sump: Sump, sight: Sight) -> Advice | None:
    """Strength is out of its band, or soon will be: learn more, pour, or drain."""
    spec = sump.spec
    now = chance_within(sight.mix, spec.low_pct, spec.high_pct)
    soon = chance_within(sight.mix, spec.low_pct / sight.grows, spec.high_pct / sight.grows)
    chance = min(now, soon)
    standing = sump.advice.standing
    acting = standing is not None and (standing.kind in POURS or standing.kind == "drain_part")
    if chance >= (SETTLED if acting else DOUBTFUL):
        return None
    if not acting:
        more = inquire.ask(sump, sight.when) or inquire.read_before_acting(sump, sight.when)
        if more is not None:
            return more
    return _correct(sump, sight, chance, acting)


def _correct(sump: Sump, sight: Sight, chance: float, acting: bool) -> Advice | None:
    spec = sump.spec
    mean, _ = strength.moments(sight.mix, strength.C)
    side = "below" if mean < spec.target_pct else "above"
    band = f"the band of {spec.low_pct:g} to {spec.high_pct:g} %"
    inside = spec.low_pct <= mean <= spec.high_pct
    where = f"near the edge of {band}" if inside else f"{side} {band}"
    why = f"Strength is about {mean:.1f} %, {where}"
    standing = sump.advice.standing
    if standing is not None and standing.kind == "drain_part":
        return _drain(sump, sight, mean, why)
    room = _room(sump, sight.litres, sight.litres_sd)
    if room >= (0.5 if acting else 1.0) * SMALLEST_SHARE * spec.full_l:
        way = _way(sump, sight, room)
        hopeless = not inside and way.chance < LANDS and way.stays < LEAVES
        if hopeless and not acting and _just_read(sump, sight.when):
            drain = _drain(sump, sight, mean, why)
            if drain is not None:
                return drain
        if acting or way.chance >= chance + WORTH:
            return _pour(sump, sight, way, why, 0.0 if not inside else sight.visit_h)
    if chance < FAR_OUT and not inside and not acting and _stays_out(sump, sight, mean, room):
        return _drain(sump, sight, mean, why)
    return None


def _just_read(sump: Sump, when: float) -> bool:
    return bool(sump.readings) and when - sump.readings[-1].time <= READ_FOR_S


def _stays_out(sump: Sump, sight: Sight, mean: float, room: float) -> bool:
    """True where a young reading says so and waiting for losses to make room would not do in days."""
    spec = sump.spec
    if not _just_read(sump, sight.when):
        return False
    lost = float(sump.tracker.loss_ahead(sight.when, 24 * 28)[ROOM_H])
    later = mean * _growth(sump, sight.when, sight.litres, ROOM_H)
    room = min(max(room, 0.0) + lost, 0.5 * spec.full_l)
    best = spec.richest_pct if mean < spec.target_pct else min(spec.usual_pct, mean)
    pct = (later * (spec.full_l - room) + best * room) / spec.full_l
    return not spec.low_pct <= pct <= spec.high_pct


def _drain(sump: Sump, sight: Sight, mean: float, why: str) -> Advice | None:
    """Part of the sump out, so that there is room for a mix that puts it right; priced in concentrate."""
    spec = sump.spec
    makeup = spec.richest_pct if mean < spec.target_pct else spec.usual_pct
    out = remedy.drain_first(spec, mean, sight.litres, spec.full_l, spec.target_pct, makeup)
    if out is None or out < SMALLEST_SHARE * spec.full_l:
        return None
    cost = out * mean / 100.0
    run_day, idle_day = sump_losses(sump)
    lost, water = run_day + idle_day, evaporating_share(sump) * run_day + idle_day
    steps_pct = spec.richest_pct if mean < spec.target_pct else spec.leanest_pct
    days = remedy.days_by_steps(spec, mean, steps_pct, lost, 1.0 - water / max(lost, 1e-6))
    steps = f"take about {days:.0f} days and throw nothing away" if days else "would not get there in weeks"
    reason = (
        f"{why}, and there is no room to put it right; draining {out:.0f} L makes some, at the price of about "
        f"{cost:.1f} L of concentrate; several top-offs at {steps_pct:g} % instead {steps}."
    )
    chance = chance_within(sight.mix, spec.low_pct, spec.high_pct)
    sd = strength.moments(sight.mix, strength.C)[1]
    return Advice(
        "", sight.when, spec.id, "drain_part", round(out), None, None, None,
        sight.litres - round(out), mean, sd, chance, sight.visit_h, reason,
        hold_makeup_pct=_hold_pct(sump), lost_concentrate_l=cost,
    )  # fmt: skip


def _pour(sump: Sump, sight: Sight, way: Fill, why: str, due_h: float | None) -> Advice:
    spec = sump.spec
    m, litres = way.makeup_pct, way.volume_l
    if m == spec.usual_pct:
        kind, what = "top_off", f"the usual {m:g} % mix"
    else:
        kind, what = ("strengthen" if m > spec.usual_pct else "thin"), f"a {m:g} % mix"
    real_pct = _real_pct(sump, m)
    reason = f"{why}; filling up with {what} brings it to about {way.pct:.1f} %{_left(sump, way)}."
    if real_pct is not None and abs(real_pct - m) > TOLD_OFF * m:
        reason += f" The proportioner, set to {m:g} %, seems to give {real_pct:.1f} %."
    return Advice(
        "", sight.when, spec.id, kind, litres, m, litres * (1.0 - m / 100.0), litres * m / 100.0,
        way.after_l, way.pct, way.sd, way.chance, max(0.0, due_h or 0.0), reason,
        hold_makeup_pct=_hold_pct(sump), real_makeup_pct=real_pct,
    )  # fmt: skip


def _hold_pct(sump: Sump) -> float:
    """The makeup that holds the target with the level held: the target times carry-off's share of the losses."""
    run_day, idle_day = sump_losses(sump)
    carried = (1.0 - evaporating_share(sump)) * run_day
    return makeup_to_hold(sump.spec.target_pct, carried / max(run_day + idle_day, 1e-6))


def _real_pct(sump: Sump, makeup_pct: float) -> float | None:
    """What the proportioner really gives at this setting; None for a mix from bucket and jug."""
    spec = sump.spec
    if setting_for(makeup_pct, spec.usual_pct, spec.measures) is None:
        return None
    return makeup_pct * exp(strength.moments(sump.ledger.mix, strength.R)[0])


def _left(sump: Sump, way: Fill) -> str:
    """What this pour leaves to be done, where it cannot do all."""
    spec = sump.spec
    if spec.low_pct <= way.pct <= spec.high_pct:
        return ""
    return f", still {abs(way.pct - spec.target_pct):.1f} points off the target: the rest with the next ones"


# ---- strength when nothing else is due


def _strength_asked(sump: Sump, when: float, litres: float, visit_h: float) -> bool:
    """Whether strength needs the whole judgement: a cheap look at its edges says that mostly it does not."""
    spec, standing = sump.spec, sump.advice.standing
    if sump.additions and when - (sump.additions[-1].finding.end or 0.0) < MIXES_S:
        return False
    low, high = quick_strength(sump, when, litres)
    if low > spec.low_pct and high * _growth(sump, when, litres, visit_h) < spec.high_pct:
        return standing is not None and standing.kind in POURS
    return True


def _later(sump: Sump, when: float, to_low_h: float | None) -> Advice | None:
    """Nothing is to be poured: is a reading or an answer worth having?"""
    return inquire.read_in_time(sump, when, to_low_h) or inquire.ask(sump, when)
