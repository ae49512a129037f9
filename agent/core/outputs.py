"""What the core says: beliefs, findings, advice, marks. `row()` gives the fields of the open door, in order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


class _Row:
    __slots__ = ()
    TYPE = ""

    def row(self) -> dict[str, Any]:
        """The JSON object: `type` first, numbers rounded to 1e-6 of their unit."""
        row: dict[str, Any] = {"type": self.TYPE}
        for name in self.__match_args__:  # type: ignore[attr-defined]  # a dataclass's fields, in order
            value = getattr(self, name)
            row[name] = round(value, 6) if isinstance(value, float) else value
        return row


@dataclass(frozen=True, slots=True)
class Belief(_Row):
    """What was known of one sump at `time` (epoch s). sd = standard deviation, p05/p95 = quantiles."""

    TYPE = "belief"
    time: float
    sump: str
    volume_l: float
    volume_sd: float
    strength_pct: float
    strength_sd: float
    strength_p05: float
    strength_p95: float
    evaporation_l_per_day: float
    carry_off_l_per_day: float
    evaporation_share: float
    evaporation_share_sd: float
    makeup_pct: float
    makeup_sd: float
    hold_makeup_pct: float
    hours_to_low: float | None
    hours_to_low_p05: float | None
    hours_to_low_p95: float | None
    status: str


@dataclass(frozen=True, slots=True)
class Finding(_Row):
    """Something that happened, as judged at `time`; judged anew under the same `id` with the next `revision`."""

    TYPE = "finding"
    id: str
    revision: int
    time: float
    sump: str
    kind: str
    start: float
    end: float | None
    volume_l: float | None
    volume_sd: float | None
    makeup_pct: float | None
    makeup_sd: float | None
    rate_l_per_h: float | None
    rate_sd: float | None
    text: str
    withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class Advice(_Row):
    """What a person should do at the next visit; holds until the row with its `id` and `withdrawn`."""

    TYPE = "advice"
    id: str
    time: float
    sump: str
    kind: str
    volume_l: float | None
    makeup_pct: float | None
    water_l: float | None
    concentrate_l: float | None
    expected_volume_l: float | None
    expected_strength_pct: float | None
    expected_strength_sd: float | None
    chance_in_band: float | None
    due_in_h: float | None
    reason: str
    of: str | None = None
    withdrawn: bool = False
    method: str | None = None  # of a reading: "titration" where a refractometer would not settle it
    hold_makeup_pct: float | None = None  # the mix that would hold the target, were the level held with it
    real_makeup_pct: float | None = None  # what the proportioner really gives at the setting that is advised
    lost_concentrate_l: float | None = None  # what draining throws away


@dataclass(frozen=True, slots=True)
class Mark(_Row):
    """Echo: everything before it in the records has been dealt with."""

    TYPE = "mark"
    value: Any


Output = Belief | Finding | Advice | Mark
