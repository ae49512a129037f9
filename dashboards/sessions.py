"""Who is signed in: a random cookie, of which only the digest is stored, with an idle and an absolute limit."""

from __future__ import annotations

import hashlib
import secrets
import sqlite3
from dataclasses import dataclass

from agent.core.review import MAINTENANCE, OPERATOR, SUPERVISOR
from dashboards.people import People, Person, transaction

COOKIE = "sumpside_session"
# (idle s, absolute s). An operator's phone or tablet lasts a shift without a tap and a working week in all;
# who may review signs in each day.
LIMITS = {OPERATOR: (12 * 3600.0, 7 * 86400.0), SUPERVISOR: (4 * 3600.0, 16 * 3600.0)}
LIMITS[MAINTENANCE] = LIMITS[SUPERVISOR]
SEEN_STEP_S = 60.0  # "seen" is written at most this often: a page view must not cost a synced write


@dataclass(frozen=True, slots=True)
class Session:
    """One signed-in person; `digest` is the key of its row."""

    digest: bytes
    person: Person


def digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


class Sessions:
    """Rows of the table `session` in the people file. Times are epoch seconds, given by the caller."""

    def __init__(self, store: sqlite3.Connection, people: People) -> None:
        self.store = store
        self.people = people

    def start(self, person: Person, now_s: float) -> str:
        """A new session; gives the token for the cookie. Rows past their limits are swept."""
        token = secrets.token_urlsafe(32)
        longest = max(absolute for _, absolute in LIMITS.values())
        with transaction(self.store):
            self.store.execute("DELETE FROM session WHERE created < ?", (now_s - longest,))
            self.store.execute("INSERT INTO session VALUES (?,?,?,?)", (digest(token), person.id, now_s, now_s))
        return token

    def find(self, token: str | None, now_s: float, touch: bool = True) -> Session | None:
        """The live session of a cookie. `touch` counts as a sign of life; a live stream is none."""
        if not token:
            return None
        key = digest(token)
        row = self.store.execute("SELECT person, created, seen FROM session WHERE digest = ?", (key,)).fetchone()
        person = self.people.get(row[0]) if row else None
        if person is None or not person.active or over(person.role, row[1], row[2], now_s):
            return None
        if touch and now_s - row[2] >= SEEN_STEP_S:
            self.store.execute("UPDATE session SET seen = ? WHERE digest = ?", (now_s, key))
        return Session(key, person)

    def end(self, token: str | None) -> None:
        if token:
            self.store.execute("DELETE FROM session WHERE digest = ?", (digest(token),))


def over(role: str, created_s: float, seen_s: float, now_s: float) -> bool:
    """True past either limit, or when the clock went back before the last sign of life by more than a step."""
    idle_s, absolute_s = LIMITS[role]
    return now_s - seen_s > idle_s or now_s - created_s > absolute_s or now_s < seen_s - SEEN_STEP_S
