"""A sump that is being filled: how much more, and when to stop, as the agent sees it rise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dashboards.language import _
from dashboards.show import Show

REACT_S = 3.0  # from reading "stop" to a closed tap
SOON_FULL_S = 180.0  # the high mark is spoken of when it is this near
A_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class Filling:
    """What stands on the card while somebody pours. `share` 0 to 1 of what is to go in."""

    text: str
    more: str
    warning: str
    stop: bool
    share: float

    def row(self) -> dict[str, Any]:
        """As the live stream sends it."""
        return {"text": self.text, "more": self.more, "warning": self.warning, "stop": self.stop, "share": self.share}


def told(filling: dict[str, Any] | None, show: Show) -> Filling | None:
    """The words for a row of live.json's `filling`, where the agent lists what stands in it."""
    if not filling or filling.get("poured_l") is None:
        return None
    poured_l, to_go_l = filling["poured_l"], filling.get("to_go_l")
    rate_l_per_min = filling.get("rate_l_per_min") or 0.0
    stop = to_go_l is not None and to_go_l <= max(rate_l_per_min, 0.0) * REACT_S / A_MINUTE_S
    whole_l = poured_l + max(to_go_l or 0.0, 0.0)
    share = min(max(poured_l / whole_l, 0.0), 1.0) if whole_l > 0 and to_go_l is not None else 0.0
    return Filling(
        _text(to_go_l, stop, filling.get("poured_sd"), show),
        _more(poured_l, rate_l_per_min, show), _warning(filling), stop, round(share, 3),
    )  # fmt: skip


def _text(to_go_l: float | None, stop: bool, poured_sd: float | None, show: Show) -> str:
    if to_go_l is None:
        return _("Being filled")
    if not stop:
        return _("{volume} to go", volume=show.countdown(to_go_l, poured_sd))
    over = -to_go_l
    return _("Stop: {volume} too much", volume=show.volume(over, 1)) if show.in_unit(over) >= 1.0 else _("Stop")


def _more(poured_l: float, rate_l_per_min: float, show: Show) -> str:
    volume, rate = show.volume(poured_l, 1), show.volume(max(rate_l_per_min, 0.0), 1)
    return _("{volume} in so far, {rate} a minute", volume=volume, rate=rate)


def _warning(filling: dict[str, Any]) -> str:
    to_high_s = filling.get("to_high_s")
    if to_high_s is None or to_high_s > SOON_FULL_S:
        return ""
    if to_high_s <= 0:
        return _("Above the high mark.")
    return _("At this rate the high mark is reached in {seconds} s.", seconds=round(to_high_s))
