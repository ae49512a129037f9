"""Slows guessing: after a few wrong tries a name or an address waits, twice as long each time.

Nobody can keep a person out by guessing at their name from elsewhere: where that person has signed in before, wrong
tries are counted apart.
"""

from __future__ import annotations

FREE_TRIES = 5
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 900.0
FORGOTTEN_AFTER_S = 3600.0
MOST_KEYS = 10_000  # memory stays bounded whatever names are tried


class Tries:
    """Wrong tries by key (a name, an address). `now_s` is a monotonic time."""

    def __init__(self) -> None:
        self._wrong: dict[str, tuple[int, float]] = {}
        self._at_home: set[tuple[str, str]] = set()

    def keys(self, name: str, address: str) -> tuple[str, str]:
        """What a try by this name from this address counts for."""
        at_home = (name, address) in self._at_home
        return f"name:{name}@{address}" if at_home else f"name:{name}", f"address:{address}"

    def came_in(self, name: str, address: str) -> None:
        """A right secret: its wrong tries are forgotten, and the person is at home at that address from now on."""
        self.right(self.keys(name, address))
        if len(self._at_home) >= MOST_KEYS:
            self._at_home.clear()
        self._at_home.add((name, address))

    def wait_s(self, keys: tuple[str, ...], now_s: float) -> float:
        """Seconds until the next try is taken; 0 = now."""
        return max(self._wait_of(key, now_s) for key in keys)

    def _wait_of(self, key: str, now_s: float) -> float:
        count, last_s = self._wrong.get(key, (0, now_s))
        if count < FREE_TRIES:
            return 0.0
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(count - FREE_TRIES, 10))
        return max(0.0, last_s + wait_s - now_s)

    def wrong(self, keys: tuple[str, ...], now_s: float) -> None:
        self._forget(now_s)
        for key in keys:
            self._wrong[key] = (self._wrong.get(key, (0, 0.0))[0] + 1, now_s)

    def right(self, keys: tuple[str, ...]) -> None:
        for key in keys:
            self._wrong.pop(key, None)

    def _forget(self, now_s: float) -> None:
        if len(self._wrong) >= MOST_KEYS:
            self._wrong = {k: v for k, v in self._wrong.items() if now_s - v[1] < FORGOTTEN_AFTER_S}
        if len(self._wrong) >= MOST_KEYS:
            self._wrong.clear()
