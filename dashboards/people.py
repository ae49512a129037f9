"""Who may sign in: name, role, and an argon2id hash of a password or PIN, in `people.sqlite` beside the inbox.

There is no default account. While nobody is listed, a one-time code (printed where the program was started) lets
the first person in, who is of maintenance. All others get a one-time code from maintenance, too, which is good for
nothing but choosing a password of their own.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from agent.core.review import MAINTENANCE, OPERATOR, SUPERVISOR
from dashboards.guessable import tries_log10
from dashboards.language import _

ROLES = (OPERATOR, SUPERVISOR, MAINTENANCE)
SHORTEST_SECRET = 8  # characters; OWASP ASVS 5.0, 6.2.1
# Tries that a secret has to stand, log10. Fewer for an operator's PIN, typed with gloves: tries are slowed (tries.py).
FEWEST_TRIES = {OPERATOR: 6.0, SUPERVISOR: 8.0, MAINTENANCE: 8.0}
CODE_LASTS_S = 72 * 3600.0  # from a Friday over the weekend
LONGEST_SECRET = 200  # characters; hashing work is bounded
LONGEST_NAME = 60
CODE_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"  # none that are mistaken for another
CODE_LENGTH = 10  # 50 bits

# argon2id with 19 MiB, two passes: the smallest setting OWASP's password storage sheet gives, for a small computer.
HASHER = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)

SCHEMA = """
CREATE TABLE IF NOT EXISTS person (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE COLLATE NOCASE, role TEXT NOT NULL,
    secret TEXT NOT NULL, active INTEGER NOT NULL DEFAULT 1, created REAL NOT NULL);
CREATE TABLE IF NOT EXISTS session (
    digest BLOB PRIMARY KEY, person INTEGER NOT NULL REFERENCES person(id), created REAL NOT NULL, seen REAL NOT NULL);
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value BLOB NOT NULL);
"""

ADD_COLUMN = {
    "language": "ALTER TABLE person ADD COLUMN language TEXT",
    "units": "ALTER TABLE person ADD COLUMN units TEXT",
    "degrees": "ALTER TABLE person ADD COLUMN degrees TEXT",
    "code_until": "ALTER TABLE person ADD COLUMN code_until REAL",  # set: `secret` is a one-time code's hash
}


class NotAccepted(ValueError):
    """A name, role or secret that cannot be taken; the text is for the person who typed it."""


@dataclass(frozen=True, slots=True)
class Person:
    id: int
    name: str
    role: str
    active: bool = True
    language: str | None = None  # None: as the browser says
    units: str | None = None  # None: as the site file says
    degrees: str | None = None
    code_until: float | None = None  # epoch s: has a one-time code and no password yet


def open_store(path: Path) -> sqlite3.Connection:
    """The people file, made with mode 0600 when missing. One writer: this process."""
    if not path.exists():
        path.touch(mode=0o600)
    store = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    store.execute("PRAGMA journal_mode=WAL")
    store.execute("PRAGMA synchronous=FULL")
    store.executescript(SCHEMA)
    _add_columns(store)
    return store


def _add_columns(store: sqlite3.Connection) -> None:
    """What came after the first release: how a person likes to read, one-time codes."""
    there = {row[1] for row in store.execute("PRAGMA table_info(person)")}
    for name, sql in ADD_COLUMN.items():
        if name not in there:
            store.execute(sql)


@contextmanager
def transaction(store: sqlite3.Connection) -> Iterator[None]:
    """All of it or nothing."""
    store.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        store.execute("ROLLBACK")
        raise
    store.execute("COMMIT")


def set_up_code() -> str:
    """A one-time code that a person can read from a terminal and type on a phone."""
    letters = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
    return f"{letters[:5]}-{letters[5:]}"


def plain_code(typed: str) -> str:
    """A code as it is compared and hashed, however it was typed."""
    return typed.strip().upper().replace("-", "").replace(" ", "")


def same_code(typed: str, code: str) -> bool:
    return secrets.compare_digest(plain_code(typed).encode(), plain_code(code).encode())


@cache
def nobody_s_hash() -> str:
    """What an unknown name's secret is checked against: it fits nothing, and costs the same time."""
    return HASHER.hash(secrets.token_hex(16))


def hash_secret(secret: str) -> str:
    """The argon2id hash that is kept. Takes a tenth of a second and more: not for the event loop."""
    return HASHER.hash(secret)


def fits(hashed: str, secret: str) -> bool:
    """Whether a secret is the hashed one. As slow as `hash_secret`."""
    try:
        return HASHER.verify(hashed, secret[: LONGEST_SECRET + 1])
    except (Argon2Error, InvalidHashError):
        return False


class People:
    """The list of people. Hashing is left to the caller, for it is slow and needs no file."""

    def __init__(self, store: sqlite3.Connection) -> None:
        self.store = store

    def empty(self) -> bool:
        return self.store.execute("SELECT 1 FROM person LIMIT 1").fetchone() is None

    def add(self, name: str, role: str, hashed: str, now_s: float, code_until: float | None = None) -> Person:
        """Lists a person by a password's hash, or a code's and its end. Raises `NotAccepted` for a name in use."""
        sql = "INSERT INTO person (name, role, secret, created, code_until) VALUES (?,?,?,?,?)"
        try:
            row = self.store.execute(sql, (tidy_name(name), role, hashed, now_s, code_until))
        except sqlite3.IntegrityError as why:
            raise NotAccepted(_("“{name}” is on the list already.", name=name)) from why
        return Person(int(row.lastrowid or 0), tidy_name(name), role, code_until=code_until)

    def named(self, name: str) -> tuple[Person | None, str]:
        """The active person of a name and the hash to check against: one that fits nothing when there is none."""
        return self._at_the_door(
            "SELECT id, secret FROM person WHERE name = ? AND active = 1 AND code_until IS NULL", name
        )

    def invited(self, name: str, now_s: float) -> tuple[Person | None, str]:
        """The same for who has a one-time code that still holds; its hash is of the plain code."""
        sql = "SELECT id, secret FROM person WHERE name = ? AND active = 1 AND code_until > ?"
        return self._at_the_door(sql, name, now_s)

    def _at_the_door(self, sql: str, name: str, *values: float) -> tuple[Person | None, str]:
        row = self.store.execute(sql, (" ".join(name.split()), *values)).fetchone()
        return (self.get(row[0]), row[1]) if row else (None, nobody_s_hash())

    def get(self, person_id: int) -> Person | None:
        sql = "SELECT id, name, role, active, language, units, degrees, code_until FROM person WHERE id = ?"
        row = self.store.execute(sql, (person_id,)).fetchone()
        return Person(row[0], row[1], row[2], bool(row[3]), *row[4:]) if row else None

    def all(self) -> list[Person]:
        sql = "SELECT id FROM person ORDER BY active DESC, name"
        found = [self.get(id) for (id,) in self.store.execute(sql).fetchall()]
        return [person for person in found if person is not None]

    def prefer(self, person_id: int, language: str | None, units: str | None, degrees: str | None) -> None:
        """How a person likes to read; None leaves it to the browser and the site file."""
        sql = "UPDATE person SET language = ?, units = ?, degrees = ? WHERE id = ?"
        self.store.execute(sql, (language, units, degrees, person_id))

    def set_secret(self, person_id: int, hashed: str, code_until: float | None = None) -> None:
        """A new password, or a one-time code and its end; every session of that person ends."""
        with transaction(self.store):
            sql = "UPDATE person SET secret = ?, code_until = ? WHERE id = ?"
            self.store.execute(sql, (hashed, code_until, person_id))
            self.store.execute("DELETE FROM session WHERE person = ?", (person_id,))

    def set_active(self, person_id: int, active: bool) -> None:
        """Lets a person in again or no more. The last active person of maintenance stays."""
        if not active and self._last_of_maintenance(person_id):
            raise NotAccepted(_("One person of maintenance has to stay."))
        with transaction(self.store):
            self.store.execute("UPDATE person SET active = ? WHERE id = ?", (int(active), person_id))
            self.store.execute("DELETE FROM session WHERE person = ?", (person_id,))

    def _last_of_maintenance(self, person_id: int) -> bool:
        sql = "SELECT id FROM person WHERE role = ? AND active = 1 AND code_until IS NULL"
        return self.store.execute(sql, (MAINTENANCE,)).fetchall() == [(person_id,)]


def tidy_name(name: str) -> str:
    name = " ".join(name.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise NotAccepted(_("A name has 1 to {most} characters.", most=LONGEST_NAME))
    return name


def check_role(role: str) -> None:
    if role not in ROLES:
        raise NotAccepted(_("A role is one of {roles}.", roles=", ".join(ROLES)))


def check_secret(role: str, secret: str, known: tuple[str, ...] = ()) -> None:
    """Raises `NotAccepted` unless the secret is long enough and stands as many tries as the role asks for.

    `known` are words a guesser would begin with: the person's and the works' names. Starts a process, which takes a
    tenth of a second and more: not for the event loop.
    """
    check_role(role)
    if not SHORTEST_SECRET <= len(secret) <= LONGEST_SECRET:
        raise NotAccepted(_("A password or PIN has at least {shortest} characters.", shortest=SHORTEST_SECRET))
    if tries_log10(secret, known) < FEWEST_TRIES[role]:
        raise NotAccepted(_("That is guessed too easily. Take several words that do not belong together."))
