"""The strength mixture: what the fluid's strength may be, given what was lost, poured and read.

A mixture of Gaussians over a named state (STATE, below). Each component of the mixture stands for one history of
kinds: what each unlogged addition was, which reading was wrong. Five pure moves make up the filter:

    lose      c' = c·exp((e·X + W)/V)             X L lost while running, of which the share e evaporates; W L
                                                  lost idle, as water; from dV = −(E+D)dt, dS = −(S/V)·D·dt
    pour      c' = (c·V + m·A)/(V + A)            A L at strength m, one branch a kind
    read      z  = c/f + o (+ b inline) + noise   Brix; a titration reads c itself
    skim      o' = k·o                            way oil was taken off: one branch more wherever it may have been
    reduce    histories that differ only in old kinds are joined, moments kept

All moves take a `Mixture` and give a new one. c, m in % by volume; volumes in L; Brix.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, exp, pi, sqrt

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Normals = list[tuple[float, float, float]]  # weight, mean, 1/(sd·√2)

C = 0  # strength, %
E = 1  # share of the running loss that evaporates
R = 2  # ln of the proportioner's real strength over set
B = 3  # inline refractometer's bias, Brix
O = 4  # index from way oil and salts, Brix  # noqa: E741 - the trade's letter
G = 5  # what way oil adds to it, Brix a day, where it comes in
M = 6  # first of SLOTS: strength of the last additions, %, newest first
SLOTS = 6
STATE = M + SLOTS
RECALL = 9  # kinds and doubts remembered apart, newest first; after them, whether way oil comes in
OILY = RECALL  # the place of that mark: 1 where it does
MOST = 24  # branches kept

USUAL, WATER, RICH, SAID, LEAN, NOTHING = 1, 2, 3, 4, 5, 6
KIND_NAMES = {
    USUAL: "usual mix", WATER: "water", RICH: "stronger mix", SAID: "as said", LEAN: "lean mix", NOTHING: "no addition",
}  # fmt: skip
KINDS = 7  # labels of additions lie below this
GOOD, WRONG, GOOD_SKIMMED = 7, 8, 9  # of a reading: right, wrong, right and way oil was skimmed before it
LEFT, SKIMMED = 10, 11  # of litres that left in one go: mix or chips, way oil
LABELS = 12  # all of them lie below

WALK_PER_DAY = {E: 0.012, R: 0.02, B: 0.16, O: 0.008, G: 0.006}  # 1 sd a square root of a day
OIL_SHARE, OIL_FLOOR = 0.10, 0.04  # of sumps that way oil comes into; never thought less likely than the second
OIL_STAYS_DAYS = 90.0  # what is emulsified splits out again or is skimmed
SKIM_KEPT, SKIM_KEPT_SD = 0.2, 0.15  # of the index from way oil, after somebody has skimmed it
SKIMMED_DAYS, UNSEEN_DAYS = 30.0, 150.0  # between skimmings where it comes in; between those that no level shows
SKIM_LEAST = 0.15  # Brix, below which a skimming would not be told
CUT = 0.99  # of a law that lies on the right side of a bound: it is left as it is
EMULSIFIED, LITRES_SPREAD = 0.25, 0.8  # of the way oil in a sump, the rest floats; 1 sd of ln of the litres skimmed
FALLS_SPREAD = 2.7  # ln of the range over which the litres of other falls are spread evenly
OIL_PER_DAY, OIL_PER_DAY_SD = 0.04, 0.04  # Brix a day that it then adds: a machine's lubricator gives steadily
OIL_WALK = 0.06  # Brix, 1 sd a square root of a day about it
STRENGTH_WALK = 0.006  # of c a square root of a day: all that is not modelled
SHARE_SPREAD = 0.12  # 1 sd of a day's own evaporation share about the sump's
SHARE_LOW, SHARE_HIGH = 0.15, 0.98
WRONG_SHARE = 0.05  # of hand readings that are wrong
FAR_SD, CLEANED_BRIX = 4.0, 0.6  # an inline reading this far off; 1 sd of what cleaning its window moves
WRONG_BRIX = 1.6  # 1 sd of those
POSSIBLE = 0.5  # of the likeliest kind's weight: one with less no longer moves the one figure of an addition


@dataclass(frozen=True, slots=True)
class Mixture:
    """w (n,) weights; x (n, STATE) means; P (n, STATE, STATE) covariances; kinds (n, RECALL + 1), newest first, the
    last of them the OILY mark; slots (n, SLOTS, KINDS) probability of each kind of each remembered addition."""

    w: Floats
    x: Floats
    P: Floats
    kinds: Ints
    slots: Floats


@dataclass(frozen=True, slots=True)
class Kind:
    """What an addition may have been: strength mean and sd in %, log of its prior weight."""

    label: int
    mean_pct: float
    sd_pct: float
    logp: float


def begin(strength_pct: float, sd_pct: float, share: float = 0.68, share_sd: float = 0.15) -> Mixture:
    """Two components, without way oil and with: strength as hoped for, everything else at its prior."""
    x, P = np.zeros((2, STATE)), np.zeros((2, STATE, STATE))
    x[:, C], P[:, C, C] = strength_pct, sd_pct**2
    x[:, E], P[:, E, E] = share, share_sd**2
    P[:, R, R] = 0.15**2
    P[:, B, B] = 0.5**2
    P[:, O, O] = 0.06**2
    x[:, G], P[:, G, G] = OIL_PER_DAY, OIL_PER_DAY_SD**2
    kinds = np.zeros((2, RECALL + 1), dtype=np.int64)
    kinds[1, OILY] = 1
    w = np.array([1.0 - OIL_SHARE, OIL_SHARE])
    return Mixture(w, x, P, kinds, np.zeros((2, SLOTS, KINDS)))


def lose(mix: Mixture, running_l: float, idle_l: float, volume_l: float, days: float) -> Mixture:
    """Losses over some days: `running_l` of which share e is water, `idle_l` all of it water."""
    x, P = mix.x.copy(), mix.P.copy()
    a, b = running_l / volume_l, idle_l / volume_l
    share = np.clip(x[:, E], SHARE_LOW, SHARE_HIGH)
    growth = np.exp(share * a + b)
    x[:, C] *= growth
    slope = x[:, C] * a
    P[:, C, :] = growth[:, None] * P[:, C, :] + slope[:, None] * P[:, E, :]
    P[:, :, C] = growth[:, None] * P[:, :, C] + slope[:, None] * P[:, :, E]
    P[:, C, C] += (SHARE_SPREAD * slope) ** 2 + (STRENGTH_WALK * x[:, C]) ** 2 * days
    for i, sd in WALK_PER_DAY.items():
        P[:, i, i] += sd * sd * days
    oily = mix.kinds[:, OILY] == 1
    stays = exp(-days / OIL_STAYS_DAYS)
    x[oily, O] = stays * x[oily, O] + x[oily, G] * days
    P[oily, O, :] = stays * P[oily, O, :] + days * P[oily, G, :]
    P[oily, :, O] = stays * P[oily, :, O] + days * P[oily, :, G]
    P[oily, O, O] += OIL_WALK**2 * days
    return Mixture(mix.w, x, P, mix.kinds, mix.slots)


def pour(
    mix: Mixture, before_l: float, added_l: float, added_sd: float, usual_pct: float, kinds: list[Kind]
) -> Mixture:
    """An addition of `added_l` to `before_l`: one branch a kind, the strength kept as slot M."""
    parts = [_pour_kind(mix, before_l, added_l, added_sd, usual_pct, kind) for kind in kinds]
    return reduce(_join(parts))


def _pour_kind(mix: Mixture, before_l: float, added_l: float, added_sd: float, usual_pct: float, kind: Kind) -> Mixture:
    n, total = len(mix.w), before_l + added_l
    x, P = mix.x.copy(), mix.P.copy()
    x[:, M + 1 :], P[:, M + 1 :, :] = x[:, M:-1], P[:, M:-1, :]
    P[:, :, M + 1 :] = P[:, :, M:-1]
    P[:, M, :] = P[:, :, M] = 0.0
    if kind.label == USUAL:
        ratio = np.exp(np.clip(x[:, R], -1.0, 1.0))
        m = usual_pct * ratio
        P[:, M, :] = m[:, None] * P[:, R, :]
        P[:, :, M] = P[:, M, :]
        P[:, M, M] = m * m * P[:, R, R] + kind.sd_pct**2
    elif kind.label == NOTHING:  # as if what came had the sump's own strength: it stays as it was
        m = x[:, C].copy()
        P[:, M, :] = P[:, C, :]
        P[:, :, M] = P[:, M, :]
        P[:, M, M] = P[:, C, C]
    else:
        m = np.full(n, kind.mean_pct)
        P[:, M, M] = kind.sd_pct**2
    x[:, M] = m
    before, share = before_l / total, added_l / total
    pull = (m - x[:, C]) * before / total
    x[:, C] = before * x[:, C] + share * m
    P[:, C, :] = before * P[:, C, :] + share * P[:, M, :]
    P[:, :, C] = before * P[:, :, C] + share * P[:, :, M]
    P[:, C, C] += (pull * added_sd) ** 2
    slots = np.zeros_like(mix.slots)
    slots[:, 1:] = mix.slots[:, :-1]
    slots[:, 0, kind.label] = 1.0
    return Mixture(mix.w * np.exp(kind.logp), x, P, _remember(mix.kinds, kind.label), slots)


def renew(mix: Mixture, volume_l: float, kinds: list[Kind]) -> Mixture:
    """Emptied, cleaned and filled anew: nothing of the old strength stays, what is known of the sump does."""
    x, P = mix.x.copy(), mix.P.copy()
    x[:, C] = 0.0
    x[:, O] = 0.0
    for i in (C, O):
        P[:, i, :] = P[:, :, i] = 0.0
    P[:, O, O] = 0.05**2
    P[:, B, B] += 0.2**2
    fresh = Mixture(mix.w, x, P, mix.kinds, mix.slots)
    usual_pct = next((kind.mean_pct for kind in kinds if kind.label == USUAL), 0.0)
    return pour(fresh, 1e-6, volume_l, 0.0, usual_pct, kinds)


def outflow(mix: Mixture, volume_l: float, out_l: float, days_a_fall: float) -> Mixture:
    """Litres left in one go and nobody spoke of it: mix or chips, which leave the strength as it is and do so every
    `days_a_fall` at this sump, or way oil that was skimmed. 1 % of emulsified oil reads as +1 Brix, so that oil of o
    Brix is o/100·V/EMULSIFIED litres, roughly."""
    oil_l = (1.0 - SKIM_KEPT) * np.maximum(mix.x[:, O], SKIM_LEAST) / 100.0 * volume_l / EMULSIFIED
    off = np.log(out_l / oil_l) / LITRES_SPREAD
    odds = days_a_fall / SKIMMED_DAYS * FALLS_SPREAD * np.exp(-0.5 * off * off) / (LITRES_SPREAD * sqrt(2.0 * pi))
    odds[mix.kinds[:, OILY] == 0] = 0.0
    share = odds / (1.0 + odds)  # by itself a fall says nothing for way oil or against it
    left = Mixture(mix.w * (1.0 - share), mix.x, mix.P, _remember(mix.kinds, LEFT), mix.slots)
    return reduce(_join([left, _skimmed(mix, share, SKIMMED)]))


def _skimmed(mix: Mixture, odds: Floats, label: int) -> Mixture:
    """The components of a weight above nothing with most of their way oil gone; `odds` (n,) on the weights."""
    which = (odds > 0.0) & (mix.w > 0.0)
    x, P = mix.x[which], mix.P[which]
    P[:, O, :] *= SKIM_KEPT
    P[:, :, O] *= SKIM_KEPT
    P[:, O, O] += (SKIM_KEPT_SD * x[:, O]) ** 2
    x[:, O] *= SKIM_KEPT
    return Mixture(mix.w[which] * odds[which], x, P, _remember(mix.kinds[which], label), mix.slots[which])


def read_index(
    mix: Mixture, brix: float, factor: float, sd: float, days: float = 0.0, wrong_share: float = WRONG_SHARE
) -> Mixture:
    """A hand refractometer: a right reading or a wrong one, both kept until more is known. In `days` since the one
    before, way oil may have been skimmed."""
    h = np.zeros(STATE)
    h[C], h[O] = 1.0 / factor, 1.0
    mix = with_oil(mix)
    left = _oil_left(mix)
    parts = [_not_negative(part, left) for part in _doubtful(mix, brix, h, sd, WRONG_BRIX, wrong_share)]
    chance = 1.0 - exp(-days / UNSEEN_DAYS)
    oily = (mix.kinds[:, OILY] == 1) & (mix.x[:, O] > SKIM_LEAST)
    if chance > 0.0 and oily.any():
        gone = _skimmed(mix, np.where(oily, chance * (1.0 - wrong_share), 0.0), GOOD_SKIMMED)
        parts.append(_not_negative(_update(gone, brix, h, sd)[0], _oil_left(gone)))
    return reduce(_join(parts))


def _oil_left(mix: Mixture) -> Floats:
    """(n,) the part of each component's law of the oil index that lies above 0; 1 where no way oil comes in."""
    far = (mix.x[:, O] / np.sqrt(np.maximum(mix.P[:, O, O], 1e-12))).tolist()
    oily = (mix.kinds[:, OILY] == 1).tolist()
    return np.array([max(0.5 + 0.5 * erf(x / sqrt(2.0)), 1e-12) if o else 1.0 for x, o in zip(far, oily, strict=True)])


def _not_negative(mix: Mixture, left_before: Floats) -> Mixture:
    """After a reading: way oil takes nothing from the index. Each law of it is cut off at 0 and its moments are taken,
    with α = −μ/σ and λ = φ(α)/Φ(−α): μ' = μ + σλ, σ'² = σ²(1 + αλ − λ²) (Simon & Simon 2010). The weight is that of a
    reading under a law that was cut off before it: times Φ(−α) over what was left then."""
    left = _oil_left(mix)
    x, P = mix.x.copy(), mix.P.copy()
    for n in np.flatnonzero(left < CUT).tolist():
        sd = sqrt(max(float(P[n, O, O]), 1e-12))
        a = -float(x[n, O]) / sd
        hazard = exp(-0.5 * a * a) / (sqrt(2.0 * pi) * float(left[n]))
        gain = P[n, :, O] / (sd * sd)
        x[n] += gain * (sd * hazard)
        P[n] -= np.outer(gain, gain) * (sd * sd * (hazard * hazard - a * hazard))
    return Mixture(mix.w * left / left_before, x, P, mix.kinds, mix.slots)


def with_oil(mix: Mixture) -> Mixture:
    """Way oil may come in, or may begin to at any time: keep that thought at OIL_FLOOR at least.

    Half of what lacks goes to the sumps that it has come into all along, which keep what they have gathered, half
    to sumps that it comes into from now on.
    """
    oily = mix.kinds[:, OILY] == 1
    share = float(mix.w[oily].sum())
    if share >= OIL_FLOOR:
        return mix
    dry = Mixture(mix.w[~oily] * (1.0 - OIL_FLOOR) / (1.0 - share), *_parts(mix, ~oily))
    old = OIL_FLOOR * (0.5 if share > 1e-9 else 0.0)
    kinds, P = dry.kinds.copy(), dry.P.copy()
    kinds[:, OILY] = 1
    P[:, O, O] += 0.2**2
    x = dry.x.copy()
    x[:, G] = OIL_PER_DAY
    P[:, G, :] = P[:, :, G] = 0.0
    P[:, G, G] = OIL_PER_DAY_SD**2
    fresh = Mixture(dry.w * (OIL_FLOOR - old) / (1.0 - OIL_FLOOR), x, P, kinds, dry.slots)
    kept = Mixture(mix.w[oily] * old / max(share, 1e-300), *_parts(mix, oily))
    return _join([dry, kept, fresh])


def _parts(mix: Mixture, which: npt.NDArray[np.bool_]) -> tuple[Floats, Floats, Ints, Floats]:
    """Some of the components, without their weights."""
    return mix.x[which], mix.P[which], mix.kinds[which], mix.slots[which]


def oil(mix: Mixture) -> tuple[float, float]:
    """Probability that way oil comes in, and the Brix that it then has added so far (mean)."""
    oily = mix.kinds[:, OILY] == 1
    share = float(mix.w[oily].sum())
    return share, float(mix.w[oily] @ mix.x[oily, O]) / max(share, 1e-9)


def read_titration(mix: Mixture, pct: float, sd: float) -> Mixture:
    """A titration reads the strength itself, oil and salts apart."""
    h = np.zeros(STATE)
    h[C] = 1.0
    return reduce(_join(_doubtful(mix, pct, h, sd, 2.0, WRONG_SHARE)))


def read_inline(mix: Mixture, brix: float, factor: float, sd: float) -> Mixture:
    """An inline refractometer, biased; where nothing believed explains it, its window was cleaned or fouled."""
    h = np.zeros(STATE)
    h[C], h[O], h[B] = 1.0 / factor, 1.0, 1.0
    good, fit = _update(mix, brix, h, sd)
    if float(np.max(fit)) < -0.5 * FAR_SD**2:
        P = mix.P.copy()
        P[:, B, B] += CLEANED_BRIX**2
        good, _ = _update(Mixture(mix.w, mix.x, P, mix.kinds, mix.slots), brix, h, 3.0 * sd)
    return reduce(_oil_as_before(good, mix))


def _oil_as_before(mix: Mixture, before: Mixture) -> Mixture:
    """A probe whose window films over cannot tell way oil from its own drift: the odds of oil stay what they were."""
    oily = mix.kinds[:, OILY] == 1
    was = float(before.w[oily].sum() / before.w.sum())
    now = float(mix.w[oily].sum() / mix.w.sum()) if mix.w.sum() > 0.0 else 0.0
    if not 0.0 < now < 1.0:
        return mix
    return Mixture(mix.w * np.where(oily, was / now, (1.0 - was) / (1.0 - now)), mix.x, mix.P, mix.kinds, mix.slots)


def _doubtful(mix: Mixture, z: float, h: Floats, sd: float, wrong_sd: float, wrong_share: float) -> list[Mixture]:
    """The mixture after a reading that was right and after one that was wrong, not yet reduced."""
    right, _ = _update(mix, z, h, sd)
    wrong, fit = _update(mix, z, h, wrong_sd)
    if float(np.max(fit)) < -0.5 * FAR_SD**2:
        wrong = mix  # a slip of the pen: 46 for 4.6 says nothing of the sump
    parts = []
    for part, label, share in ((right, GOOD, 1.0 - wrong_share), (wrong, WRONG, wrong_share)):
        parts.append(Mixture(part.w * share, part.x, part.P, _remember(part.kinds, label), part.slots))
    return parts


def _update(mix: Mixture, z: float, h: Floats, sd: float) -> tuple[Mixture, Floats]:
    """Kalman update of every component, unnormalised weights; also −½ν²."""
    Ph = mix.P @ h
    s = Ph @ h + sd * sd
    d = z - mix.x @ h
    gain = Ph / s[:, None]
    x = mix.x + gain * d[:, None]
    P = mix.P - gain[:, :, None] * Ph[:, None, :]
    fit = -0.5 * d * d / s
    w = mix.w * np.exp(fit) / np.sqrt(2.0 * pi * s)
    return Mixture(w, x, P, mix.kinds, mix.slots), fit


def _remember(kinds: Ints, label: int) -> Ints:
    out = np.empty_like(kinds)
    out[:, 0] = label
    out[:, 1:OILY] = kinds[:, : OILY - 1]
    out[:, OILY] = kinds[:, OILY]
    return out


def _join(parts: list[Mixture]) -> Mixture:
    if len(parts) == 1:
        return parts[0]
    return Mixture(
        np.concatenate([p.w for p in parts]),
        np.concatenate([p.x for p in parts]),
        np.concatenate([p.P for p in parts]),
        np.concatenate([p.kinds for p in parts]),
        np.concatenate([p.slots for p in parts]),
    )


def reduce(mix: Mixture) -> Mixture:
    """Normalise; drop what is hopeless; join histories alike in the newest kinds until MOST are left.

    Joining keeps mean and covariance (moment matching), so that old doubts live on as width.
    """
    total = float(mix.w.sum())
    if not total > 1e-290:
        mix = Mixture(np.full(len(mix.w), 1.0 / len(mix.w)), mix.x, mix.P, mix.kinds, mix.slots)
        total = 1.0
    keep = mix.w > 1e-6 * total
    parts = (mix.x, mix.P, mix.kinds, mix.slots) if keep.all() else _parts(mix, keep)
    w = mix.w[keep] / total
    mix = Mixture(w / w.sum(), *parts)
    depth = RECALL
    while len(mix.w) > MOST and depth > 0:
        depth -= 1
        mix = _merge(mix, depth)
    return mix


def _merge(mix: Mixture, depth: int) -> Mixture:
    """Join components that agree in the `depth` newest kinds and in the OILY mark."""
    key = mix.kinds[:, :depth] @ (LABELS ** np.arange(1, depth + 1, dtype=np.int64)) + mix.kinds[:, OILY]
    _, group = np.unique(key, return_inverse=True)
    n = int(group.max()) + 1
    if n == len(mix.w):
        return mix
    member = np.zeros((n, len(mix.w)))
    member[group, np.arange(len(mix.w))] = mix.w
    w = member.sum(axis=1)
    x = (member @ mix.x) / w[:, None]
    off = mix.x - x[group]
    spread = mix.P + off[:, :, None] * off[:, None, :]
    P = np.tensordot(member, spread, axes=1) / w[:, None, None]
    heaviest = member.argmax(axis=1)
    kinds = mix.kinds[heaviest].copy()
    kinds[:, depth:OILY] = 0
    return Mixture(w, x, P, kinds, np.tensordot(member, mix.slots, axes=1) / w[:, None, None])


def moments(mix: Mixture, i: int) -> tuple[float, float]:
    """Mean and standard deviation of one component of the state."""
    w, x = mix.w, mix.x[:, i]
    mean = float(w @ x)
    off = x - mean
    var = float(w @ (mix.P[:, i, i] + off * off))
    return mean, sqrt(max(var, 0.0))


def evaporating_share(mix: Mixture) -> float:
    """Share of the running loss that evaporates, as believed, within what can be."""
    return min(max(moments(mix, E)[0], SHARE_LOW), SHARE_HIGH)


def normals(mix: Mixture, i: int) -> Normals:
    """The normal laws of one component of the state that count: weight, mean, 1/(sd·√2)."""
    return laws_of(mix.w, mix.x[:, i], mix.P[:, i, i])


def laws_of(w: Floats, mean: Floats, var: Floats) -> Normals:
    """Normal laws of weights w, means and variances (n,) each; those of no weight left out."""
    rows = zip(w.tolist(), mean.tolist(), var.tolist(), strict=True)
    return [(w, m, 1.0 / sqrt(2.0 * max(v, 1e-12))) for w, m, v in rows if w > 1e-4]


def quantile(mix: Mixture, i: int, p: float) -> float:
    """The p-quantile of one component, by bisection on the mixture's distribution function."""
    return quantile_of(normals(mix, i), p)


def quantile_of(laws: Normals, p: float) -> float:
    """The p-quantile of a sum of normal laws, by bisection on its distribution function."""
    low = min(m - 3.6 / k for _, m, k in laws)
    high = max(m + 3.6 / k for _, m, k in laws)
    whole = sum(w for w, _, _ in laws)
    for _ in range(22):
        mid = 0.5 * (low + high)
        below = 0.0
        for w, m, k in laws:
            below += w * 0.5 * (1.0 + erf((mid - m) * k))
        if below < p * whole:
            low = mid
        else:
            high = mid
    return 0.5 * (low + high)


def kind_weights(mix: Mixture, slot: int) -> dict[int, float]:
    """Probability of each kind of the addition in a slot (0 = the newest)."""
    shares: list[float] = (mix.w @ mix.slots[:, slot]).tolist()
    return {kind: p for kind, p in enumerate(shares) if p > 0.0}


def poured_pct(mix: Mixture, slot: int, usual_pct: float) -> tuple[float, float]:
    """What an addition's strength was, %: its mean over the kinds that are still possible, and its spread about that.

    The spread is that of every kind, the unlikely ones too. Joined histories share one M, so that the usual mix's own
    mean is taken from the proportioner's ratio and water's is nothing.
    """
    whole, sd = moments(mix, M + slot)
    kinds = kind_weights(mix, slot)
    least = POSSIBLE * max(kinds.values())
    still = {kind: p for kind, p in kinds.items() if p >= least}
    if len(still) == len(kinds):
        return max(whole, 0.0), sd
    mean = sum(p * _mean_of(mix, slot, kind, usual_pct) for kind, p in still.items()) / sum(still.values())
    return max(mean, 0.0), sqrt(sd * sd + (whole - mean) ** 2)


def _mean_of(mix: Mixture, slot: int, kind: int, usual_pct: float) -> float:
    """Mean strength of an addition if it was of this kind, %."""
    if kind == WATER:
        return 0.0
    w = mix.w * mix.slots[:, slot, kind]
    if kind == USUAL:
        return usual_pct * exp(float(w @ mix.x[:, R] / w.sum()))
    return float(w @ mix.x[:, M + slot] / w.sum())


def doubt(mix: Mixture) -> float:
    """Probability that the newest event, a reading, was wrong."""
    return float(mix.w[mix.kinds[:, 0] == WRONG].sum())
