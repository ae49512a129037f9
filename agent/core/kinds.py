"""What an addition may have been before anything is known of it: priors, and how a shop's habits move them.

People correct what they have just read: richer after a weak reading, leaner after a strong one. How much so is
learned for each shop by counting, with each count worth what is known of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, log

from agent.core.strength import LEAN, NOTHING, RICH, SAID, USUAL, WATER, Kind

PLAIN, WEAK, STRONG = "plain", "weak", "strong"  # what was last read before the addition
WEAK_BEFORE, STRONG_BEFORE = "weak before", "strong before"  # the same, READ_JUST_S ago and more
PRIOR_COUNTS = {
    PLAIN: {USUAL: 9.0, WATER: 1.0, RICH: 1.7, LEAN: 0.3},
    WEAK: {USUAL: 2.5, WATER: 0.2, RICH: 4.0, LEAN: 0.2},
    WEAK_BEFORE: {USUAL: 4.0, WATER: 0.4, RICH: 1.5, LEAN: 0.2},
    STRONG: {USUAL: 2.5, WATER: 3.0, RICH: 0.2, LEAN: 1.0},
    STRONG_BEFORE: {USUAL: 4.0, WATER: 1.2, RICH: 0.2, LEAN: 0.4},
}
PRIOR_FOLLOWED = (2.0, 1.0)  # additions made as advised and otherwise, while a correction stood
POUR_SPREAD = 0.06  # of the usual mix, from pour to pour, share of its strength
WORD_TRUE = 0.93  # of people's words that name the right kind
HIDDEN_TRUE = 0.7  # of additions that are entered and never shown by the level, those that were
READ_JUST_S = 14 * 3600.0  # whoever reads corrects within the shift, or the next one does
READ_LATELY_S = 30 * 3600.0  # a reading older than this no longer moves what is poured


@dataclass(slots=True)
class Habits:
    """Counts of kinds by what had been read, for one shop."""

    counts: dict[str, dict[int, float]] = field(
        default_factory=lambda: {mood: dict(kinds) for mood, kinds in PRIOR_COUNTS.items()}
    )
    followed: list[float] = field(default_factory=lambda: list(PRIOR_FOLLOWED))  # as advised, otherwise

    def learn(self, mood: str, kind: int, worth: float) -> None:
        """Count one addition of a kind; `worth` 0..1."""
        if kind in self.counts[mood]:
            self.counts[mood][kind] += worth

    def learn_followed(self, as_advised: float, worth: float) -> None:
        """Count one addition made under an advised correction; `as_advised`, `worth` 0..1."""
        self.followed[0] += worth * as_advised
        self.followed[1] += worth * (1.0 - as_advised)

    def share(self, mood: str, kind: int) -> float:
        """Prior probability of a kind after such a reading."""
        seen = self.counts[mood]
        return seen[kind] / sum(seen.values())


def mood_after(read_pct: float | None, age_s: float, low_pct: float, target_pct: float, high_pct: float) -> str:
    """What a reading of `read_pct`, `age_s` ago, asks of people; None where nothing was read lately."""
    if read_pct is None:
        return PLAIN
    if read_pct < target_pct - 0.5 * (target_pct - low_pct):
        return WEAK if age_s < READ_JUST_S else WEAK_BEFORE
    if read_pct > target_pct + 0.5 * (high_pct - target_pct):
        return STRONG if age_s < READ_JUST_S else STRONG_BEFORE
    return PLAIN


def candidates(
    habits: Habits,
    mood: str,
    usual_pct: float,
    target_pct: float,
    richest_pct: float,
    wanted_pct: float,
) -> list[Kind]:
    """Kinds an unlogged addition may have been. `wanted_pct`: the mix that would land it on target, in %."""
    rich = habits.share(mood, RICH)
    strong = Kind(RICH, max(1.1 * target_pct, 1.5 * usual_pct), 0.3 * target_pct, log(rich))
    stronger = [strong]
    if wanted_pct > 1.3 * usual_pct:  # below that nobody mixes anything by hand: the usual mix does it
        wanted = min(wanted_pct, max(richest_pct, 1.5 * usual_pct))
        stronger = [Kind(RICH, wanted, 0.3 * wanted, log(0.6 * rich)), _weighed(strong, log(0.4 * rich))]
    return [
        Kind(USUAL, usual_pct, POUR_SPREAD * usual_pct, log(habits.share(mood, USUAL))),
        Kind(WATER, 0.0, 0.04, log(habits.share(mood, WATER))),
        *stronger,
        Kind(LEAN, 0.5 * usual_pct, 0.25 * usual_pct, log(habits.share(mood, LEAN))),
    ]


def as_advised(habits: Habits, kinds: list[Kind], advised_pct: float, usual_pct: float) -> list[Kind]:
    """The kinds of an addition made while one at `advised_pct` was advised: mostly that, else as ever."""
    share = habits.followed[0] / sum(habits.followed)
    rest = log(1.0 - share)
    if advised_pct == usual_pct:
        usual = log(share + (1.0 - share) * sum(_p(k) for k in kinds if k.label == USUAL))
        return [k if k.label != USUAL else _weighed(k, usual) for k in (_weighed(k, k.logp + rest) for k in kinds)]
    own = Kind(SAID, advised_pct, max(0.12 * advised_pct, 0.25), log(share))
    return [own, *(_weighed(k, k.logp + rest) for k in kinds)]


def _weighed(kind: Kind, logp: float) -> Kind:
    return Kind(kind.label, kind.mean_pct, kind.sd_pct, logp)


def kind_said(pct: float, usual_pct: float) -> int:
    """The kind that a person's word names: exactly the usual setting, nothing, or a mix of its own."""
    if abs(pct - usual_pct) < 1e-6:
        return USUAL
    return WATER if pct <= 0.1 * usual_pct else SAID


def heed(kinds: list[Kind], pct: float, usual_pct: float) -> list[Kind]:
    """The kinds after a person has said `pct`: mostly true, at times of another addition, at times wrong."""
    said = kind_said(pct, usual_pct)
    rest = log(1.0 - WORD_TRUE)
    if said == SAID:
        own = Kind(SAID, pct, max(0.12 * pct, 0.25), log(WORD_TRUE))
        return [own, *(Kind(k.label, k.mean_pct, k.sd_pct, k.logp + rest) for k in kinds)]
    others = log(1.0 - sum(_p(k) for k in kinds if k.label == said) + 1e-9)
    out = []
    for k in kinds:
        logp = log(WORD_TRUE) if k.label == said else k.logp + rest - others
        out.append(Kind(k.label, k.mean_pct, k.sd_pct, logp))
    return out


def hidden(pct: float, usual_pct: float) -> list[Kind]:
    """The kinds of an addition at `pct` that a person has entered and no level has shown."""
    said = kind_said(pct, usual_pct)
    sd = {USUAL: POUR_SPREAD * usual_pct, WATER: 0.04, SAID: max(0.12 * pct, 0.25)}[said]
    return [Kind(said, pct, sd, log(HIDDEN_TRUE)), Kind(NOTHING, 0.0, 0.0, log(1.0 - HIDDEN_TRUE))]


def fresh_fill(target_pct: float, usual_pct: float, said_pct: float | None) -> list[Kind]:
    """Kinds of a recharge: mostly mixed to target; as said where somebody said it."""
    if said_pct is not None:
        return [
            Kind(SAID, said_pct, max(0.08 * said_pct, 0.2), log(0.9)),
            Kind(RICH, target_pct, 0.2 * target_pct, log(0.1)),
        ]
    return [
        Kind(RICH, target_pct, 0.12 * target_pct, log(0.85)),
        Kind(USUAL, usual_pct, 0.1 * usual_pct, log(0.1)),
        Kind(WATER, 0.3, 0.3, log(0.05)),
    ]


def _p(kind: Kind) -> float:
    return exp(kind.logp)
