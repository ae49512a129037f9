"""A sump as a map: across, its volume; up, its strength; the box where both should be; the belief as a point.

Pure geometry: values in, coordinates of an SVG out. The pages draw it, the live stream moves its point.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from agent.core.spec import SumpSpec
from dashboards.language import _

JOINT_90_SD = 2.146  # radius, in standard deviations, that holds 90 % of two independent normals: sqrt(-2 ln 0.1)
ROOM_BELOW, ROOM_ABOVE = 0.4, 0.3  # share of the box's width and height that is shown around it
FULL_SHARE = 0.01  # of the box's width: a drop above the full mark is full
SMALLEST_R = 2.0  # a region smaller than the point's rim cannot be seen


@dataclass(frozen=True, slots=True)
class Frame:
    """The window of a map: volumes `v0` … `v1` (L) across `width`, strengths `c0` … `c1` (%) up `height` (px)."""

    v0: float
    v1: float
    c0: float
    c1: float
    width: float
    height: float

    def x(self, volume_l: float) -> float:
        return round((volume_l - self.v0) / (self.v1 - self.v0) * self.width, 1)

    def y(self, pct: float) -> float:
        return round((self.c1 - pct) / (self.c1 - self.c0) * self.height, 1)


@dataclass(frozen=True, slots=True)
class Spot:
    """An ellipse on the map; a point outside the window is drawn at its rim."""

    x: float
    y: float
    rx: float
    ry: float


@dataclass(frozen=True, slots=True)
class SumpMap:
    frame: Frame
    spec: SumpSpec
    belief: Spot | None
    after: Spot | None  # where the open instruction would take it
    tail: str  # "x,y x,y …" of the last days
    words: str  # the same, for who does not see it


def frame_of(spec: SumpSpec, width: float, height: float) -> Frame:
    span_l, span_pct = spec.full_l - spec.low_l, spec.high_pct - spec.low_pct
    v1 = max(spec.high_l + 0.1 * span_l, spec.full_l + ROOM_ABOVE * span_l)
    return Frame(
        max(0.0, spec.low_l - ROOM_BELOW * span_l), v1,
        max(0.0, spec.low_pct - ROOM_BELOW * span_pct), spec.high_pct + ROOM_BELOW * span_pct,
        width, height,
    )  # fmt: skip


def spot(frame: Frame, volume_l: float, volume_sd: float, pct: float, pct_sd: float) -> Spot:
    """The 90 % region of a volume and a strength, held at the window's rim."""
    x = min(max(frame.x(volume_l), 0.0), frame.width)
    y = min(max(frame.y(pct), 0.0), frame.height)
    rx = JOINT_90_SD * volume_sd / (frame.v1 - frame.v0) * frame.width
    ry = JOINT_90_SD * pct_sd / (frame.c1 - frame.c0) * frame.height
    return Spot(x, y, round(max(rx, SMALLEST_R), 1), round(max(ry, SMALLEST_R), 1))


def draw(
    spec: SumpSpec,
    belief: dict[str, Any] | None,
    advice: dict[str, Any] | None,
    past: Iterable[dict[str, Any]] = (),
    width: float = 160.0,
    height: float = 130.0,
) -> SumpMap:
    """The map of a belief row, an advice row and the belief rows of the last days."""
    frame = frame_of(spec, width, height)
    now = _of_belief(frame, belief) if belief else None
    after = _of_advice(frame, belief, advice) if belief and advice else None
    points = [spot(frame, row["volume_l"], 0, row["strength_pct"], 0) for row in past]
    tail = " ".join(f"{p.x},{p.y}" for p in points)
    return SumpMap(frame, spec, now, after, tail, _words(spec, belief, advice if after else None))


def _of_belief(frame: Frame, belief: dict[str, Any]) -> Spot:
    return spot(frame, belief["volume_l"], belief["volume_sd"], belief["strength_pct"], belief["strength_sd"])


def _of_advice(frame: Frame, belief: dict[str, Any], advice: dict[str, Any]) -> Spot | None:
    volume_l, pct = advice.get("expected_volume_l"), advice.get("expected_strength_pct")
    if volume_l is None or pct is None or not advice.get("volume_l"):
        return None
    return spot(frame, volume_l, belief["volume_sd"], pct, advice.get("expected_strength_sd") or 0.0)


def _words(spec: SumpSpec, belief: dict[str, Any] | None, advice: dict[str, Any] | None) -> str:
    if belief is None:
        return _("{sump}: no estimate yet", sump=spec.name)
    across, up = _place(spec, belief["volume_l"], belief["strength_pct"])
    now = _("{sump}: level {across}, strength {up}", sump=spec.name, across=across, up=up)
    if advice is None:
        return now
    across, up = _place(spec, advice["expected_volume_l"], advice["expected_strength_pct"])
    return f"{now}; {_('the arrow leads to level {across}, strength {up}', across=across, up=up)}"


def _place(spec: SumpSpec, volume_l: float, pct: float) -> tuple[str, str]:
    """Where a volume and a strength lie against the box, in words."""
    full_l = spec.full_l + FULL_SHARE * (spec.full_l - spec.low_l)
    across = _side(volume_l, spec.low_l, full_l, _("below the low mark"), _("between the marks"), _("above full"))
    return across, _side(pct, spec.low_pct, spec.high_pct, _("weak"), _("in the band"), _("strong"))


def _side(value: float, low: float, high: float, below: str, between: str, above: str) -> str:
    return below if value < low else above if value > high else between
