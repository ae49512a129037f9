"""A sump as the pages show it: its live values with their age, its estimates with their doubt, how urgent it is."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf
from typing import Any

from agent.core.spec import SumpSpec
from agent.core.what_if import RATE_SPREAD
from dashboards import filling
from dashboards.instructions import Instruction
from dashboards.language import N_, _, decimal
from dashboards.live_file import Live
from dashboards.show import AN_HOUR_S, NINE_IN_TEN_SD, NOTHING, Show, age, between, pct_pm, span_in, trim

OLD_AFTER_S = 120.0  # a live value older than this is marked; sensors are read every few seconds
BELIEF_OLD_AFTER_S = 3 * 3600.0
SOON_H = 8.0  # one shift
WORST_FIRST = ("out", "edge", "unsure", "in")


@dataclass(frozen=True, slots=True)
class SumpView:
    """One sump now. `texts` is what stands on the page and what the live stream sends, by the same names."""

    spec: SumpSpec
    state: str  # in | edge | out | unsure
    texts: dict[str, str]
    old: dict[str, bool]  # by the name of an age text
    belief: dict[str, Any] | None
    instruction: Instruction | None
    has_inline: bool
    has_temperature: bool

    @property
    def urgency(self) -> tuple[int, int, float]:
        """Sorts the most urgent first: out of its box, then what is asked of people, then what comes soonest."""
        open_now = self.instruction is not None
        due_h = self.instruction.advice.get("due_in_h") if self.instruction else None
        soonest = due_h if due_h is not None else (self.belief or {}).get("hours_to_low")
        return WORST_FIRST.index(self.state), 0 if open_now else 1, inf if soonest is None else soonest


def view(
    spec: SumpSpec, live: Live, belief: dict[str, Any] | None, instruction: Instruction | None, show: Show
) -> SumpView:
    belief = live.belief(spec.id) or belief
    state, status = judge(spec, belief)
    texts, old = {"status": status}, {}
    for name, shown in SHOWN.items():
        sample = live.signal(spec.id, name)
        texts |= {name: shown(sample, show), f"{name}_doubt": _doubt(sample)}
        texts[f"{name}_age"], old[f"{name}_age"] = _age(sample, live, OLD_AFTER_S)
    texts |= _estimates(belief, show)
    pouring = filling.told(live.filling(spec.id), show)
    texts["filling"] = pouring.text if pouring else ""
    texts["belief_age"], old["belief_age"] = _age(belief, live, BELIEF_OLD_AFTER_S)
    signals = live.sumps.get(spec.id, {}).get("signals", {})
    return SumpView(
        spec, state, texts, old, belief, instruction, "brix" in signals, "temperature" in signals
    )  # fmt: skip


def judge(spec: SumpSpec, belief: dict[str, Any] | None) -> tuple[str, str]:
    """Where the belief stands against the box: a state for the eye, and the word for it."""
    if belief is None:
        return "unsure", _("No estimate yet")
    wrong = [word for word, is_so in _out_of_box(spec, belief) if is_so]
    if wrong:
        return "out", " ".join([_(wrong[0]), *(_("and {word}", word=_(word).lower()) for word in wrong[1:])])
    if belief["status"] == "stale":
        return "unsure", _("No fresh readings")
    near = [word for word, is_so in _near_the_edge(spec, belief) if is_so]
    if near:
        return "edge", _(near[0])
    return ("in", _("In the box")) if belief["status"] == "settled" else ("unsure", _("Still learning"))


def _out_of_box(spec: SumpSpec, belief: dict[str, Any]) -> tuple[tuple[str, bool], ...]:
    return (
        (N_("Too full"), belief["volume_l"] > spec.high_l),
        (N_("Low"), belief["volume_l"] < spec.low_l),
        (N_("Weak"), belief["strength_pct"] < spec.low_pct),
        (N_("Strong"), belief["strength_pct"] > spec.high_pct),
    )


def _near_the_edge(spec: SumpSpec, belief: dict[str, Any]) -> tuple[tuple[str, bool], ...]:
    to_low = belief.get("hours_to_low")
    return (
        (N_("Low soon"), to_low is not None and to_low < SOON_H),
        (N_("Perhaps weak"), belief["strength_p05"] < spec.low_pct),
        (N_("Perhaps strong"), belief["strength_p95"] > spec.high_pct),
    )


def _estimates(belief: dict[str, Any] | None, show: Show) -> dict[str, str]:
    if belief is None:
        return dict.fromkeys(("volume", "strength", "outlook", "losses", "makeup", "hold"), NOTHING)
    return {
        "volume": show.volume_pm(belief["volume_l"], belief["volume_sd"]),
        "strength": pct_pm(belief["strength_pct"], belief["strength_p05"], belief["strength_p95"]),
        "outlook": _outlook(belief),
        "losses": _losses(belief, show),
        "makeup": _mix_pm(belief["makeup_pct"], belief["makeup_sd"]),
        "hold": _mix_pm(belief["hold_makeup_pct"], _hold_sd(belief)),
    }


def _mix_pm(pct: float, sd: float) -> str:
    return f"{decimal(pct, 2)} % ± {decimal(max(NINE_IN_TEN_SD * sd, 0.01), 2)}"


def _hold_sd(belief: dict[str, Any]) -> float:
    """Of the makeup that holds the target, target · (1 − evaporation's share): the share's own doubt, in %."""
    left = max(1.0 - belief["evaporation_share"], 1e-6)
    return float(belief["hold_makeup_pct"] / left * belief["evaporation_share_sd"])


def _outlook(belief: dict[str, Any]) -> str:
    low, mid, high = (belief.get(f"hours_to_low{end}") for end in ("_p05", "", "_p95"))
    if mid is None:
        return _("not in sight")
    if mid <= 0:
        return _("reached")
    if low is None or high is None or _hours(low) == _hours(high):
        return _("in about {span}", span=_hours(mid))
    return _("in {span} ({between})", span=_hours(mid), between=between(_hours(low), _hours(high)))


def _hours(value_h: float) -> str:
    return span_in(value_h * AN_HOUR_S)


def _losses(belief: dict[str, Any], show: Show) -> str:
    evaporated, carried = belief["evaporation_l_per_day"], belief["carry_off_l_per_day"]
    half_pct = 100 * NINE_IN_TEN_SD * belief["evaporation_share_sd"]
    lost, spread = show.in_unit(evaporated + carried), exp(NINE_IN_TEN_SD * RATE_SPREAD)
    return _(
        "{volume} a day ({low} to {high}); {share} % ± {half} of it evaporation",
        volume=show.volume(evaporated + carried, 1), low=decimal(lost / spread, 1), high=decimal(lost * spread, 1),
        share=decimal(100 * belief["evaporation_share"], 0), half=decimal(half_pct, 0),
    )  # fmt: skip


def _level(sample: dict[str, Any] | None, show: Show) -> str:
    return show.volume(sample.get("litres")) if sample else NOTHING


def _brix(sample: dict[str, Any] | None, show: Show) -> str:
    return f"{trim(sample['raw'], 1)} Brix" if sample and sample.get("raw") is not None else NOTHING


def _temperature(sample: dict[str, Any] | None, show: Show) -> str:
    return show.temperature(sample.get("raw") if sample else None)


# each signal's newest value as people read it
SHOWN = {"level": _level, "brix": _brix, "temperature": _temperature}


def _doubt(sample: dict[str, Any] | None) -> str:
    """Why the newest sample did not count, in the gates' own words."""
    if not sample or not sample.get("flags"):
        return ""
    why = str(sample.get("text") or "")
    return _("doubtful: {why}", why=gate_words(why))


GATES = {
    "at the end of the scale": N_("at the end of the scale"),
    "has not moved": N_("has not moved"),
    "a spike": N_("a spike"),
    "not settled": N_("not settled"),
}


def gate_words(text: str) -> str:
    """The gates that failed, in the agent's words, as people read them."""
    if not text:
        return _("not clear why")
    names = [name.strip() for name in text.split(",")]
    return ", ".join(_(GATES[name]) if name in GATES else name.replace("_", " ") for name in names)


def _age(row: dict[str, Any] | None, live: Live, old_after_s: float) -> tuple[str, bool]:
    if row is None:
        return _("no reading"), False
    seconds = live.now_s - row["time"]
    return age(seconds), seconds > old_after_s
