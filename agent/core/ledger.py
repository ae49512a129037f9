"""The ledger of strength: dated moves of the mixture, kept for days so that a late word goes in at its time.

Moves do not depend on the mixture, so putting one in or changing one means: back to the last copy before it,
then the same moves again. What was said of the past stays said; only the present mixture changes.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

from agent.core import strength
from agent.core.strength import Kind, Mixture

KEEP_S = 9 * 86400.0  # moves are kept this long; words may come 24 h late, findings are revised for days
COPY_EVERY_S = 12 * 3600.0  # a copy of the mixture as often as this


@dataclass(slots=True)
class Move:
    """One dated move. `what`: lose, pour, renew, out, hand, titration, inline; the numbers as that move takes them,
    those of a loss with the litres besides that leaked and that were drained."""

    time: float
    what: str
    numbers: tuple[float, ...]
    kinds: list[Kind] = field(default_factory=list)
    ref: str = ""  # the finding or entry that it stands for
    before: Mixture | None = None  # the mixture before this move, where a copy was kept


def apply(mix: Mixture, move: Move) -> Mixture:
    """The mixture after one move."""
    n = move.numbers
    if move.what == "lose":
        return strength.lose(mix, n[0], n[1], n[2], n[3])
    if move.what == "pour":
        return strength.pour(mix, n[0], n[1], n[2], n[3], move.kinds)
    if move.what == "renew":
        return strength.renew(mix, n[0], move.kinds)
    if move.what == "hand":
        return strength.read_index(mix, *n)
    if move.what == "out":
        return strength.outflow(mix, *n)
    if move.what == "inline":
        return strength.read_inline(mix, n[0], n[1], n[2])
    return strength.read_titration(mix, n[0], n[1])


@dataclass(slots=True)
class Ledger:
    """Moves in order of time, and the mixture after the last of them."""

    mix: Mixture
    moves: list[Move] = field(default_factory=list)
    version: int = 0
    since: float = float("-inf")  # epoch s: of what was before nothing is kept

    def add(self, move: Move) -> None:
        """Put a move in at its time; one from before all that is kept comes too late and moves nothing."""
        if move.time < self.since:
            return
        if not self.moves or move.time >= self.moves[-1].time:
            self._append(move)
            self._forget(move.time)
        else:
            at = bisect_right([m.time for m in self.moves], move.time)
            if at == 0:
                move.before = self.moves[0].before
            self.moves.insert(at, move)
            self._again(at)
        self.version += 1

    def change(self, ref: str, **new: object) -> None:
        """Change the move that stands for `ref` and all that followed from it."""
        for at, move in enumerate(self.moves):
            if move.ref == ref:
                for name, value in new.items():
                    setattr(move, name, value)
                self._again(at)
                self.version += 1
                return

    def remove(self, ref: str) -> bool:
        """Take back the move that stands for `ref`; False where it is no longer kept."""
        for at, move in enumerate(self.moves):
            if move.ref == ref:
                if move.before is not None and at + 1 < len(self.moves):
                    self.moves[at + 1].before = move.before
                elif move.before is not None:
                    self.mix = move.before
                del self.moves[at]
                self._again(max(at - 1, 0))  # the copy that the next move may hold still has this one in it
                self.version += 1
                return True
        return False

    def leaked(self, since: float, until: float, rate_l_per_h: float) -> None:
        """Of what was lost between two times so much an hour was a leak: it left at the strength it had.

        A loss keeps its whole, so this may be said again with another rate.
        """
        first = None
        for at, move in enumerate(self.moves):
            if move.what != "lose" or move.time <= since:
                continue
            running, idle, volume, days, leaked, drained = (*move.numbers, 0.0, 0.0)[:6]
            own = running + idle
            whole = own + leaked
            hours = max(0.0, (min(move.time, until) - max(move.time - 86400.0 * days, since)) / 3600.0)
            leak = min(rate_l_per_h * hours, max(whole, 0.0))
            if leak != leaked:
                share = running / own if own > 0.0 else 1.0
                left = whole - leak
                move.numbers = (share * left, (1.0 - share) * left, volume, days, leak, drained)
                first = at if first is None else first
        if first is not None:
            self._again(first)
            self.version += 1

    def find(self, ref: str) -> Move | None:
        """The move that stands for `ref`."""
        return next((m for m in self.moves if m.ref == ref), None)

    def _append(self, move: Move) -> None:
        copies = (m.time for m in reversed(self.moves) if m.before is not None)
        if move.time - next(copies, -1e18) >= COPY_EVERY_S:
            move.before = self.mix
        self.moves.append(move)
        self.mix = apply(self.mix, move)

    def _again(self, at: int) -> None:
        """Run the moves again from the last copy at or before place `at`."""
        if not self.moves:
            return
        while at > 0 and self.moves[at].before is None:
            at -= 1
        mix = self.moves[at].before
        if mix is None:
            return
        for move in self.moves[at:]:
            if move.before is not None:
                move.before = mix
            mix = apply(mix, move)
        self.mix = mix

    def _forget(self, now: float) -> None:
        """Drop the oldest moves up to a copy, once they are older than anybody asks for."""
        if now - self.moves[0].time < KEEP_S + 2 * COPY_EVERY_S:
            return
        for at in range(1, len(self.moves)):
            if self.moves[at].before is not None and now - self.moves[at].time >= KEEP_S:
                del self.moves[:at]
                self.since = self.moves[0].time
                return
            if now - self.moves[at].time < KEEP_S:
                return
