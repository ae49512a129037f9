"""Rows of the journal that were written before it was known what time it is.

A computer without a clock of its own starts with a time of the past. Its rows are in the right order and at the right
distance, and all wrong by the same amount; once that is known, what was measured is moved. What people and Sumpside
said (the chained rows) stays as it was said.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace

from agent.io.blocks import BadBlock, pack, readable, unpack

UNSURE = "unsure_from"  # journal fact: the first such row
LOOK_BACK_ROWS = 50  # a block and what was said around it


def newest_time(db: sqlite3.Connection) -> float:
    """The latest time (epoch s) among the last rows; 0 where there are none."""
    sql = "SELECT kind, time, body FROM log ORDER BY seq DESC LIMIT ?"
    times = [
        max((s.time for s in readable(body)), default=float(time)) if kind == "block" else float(time)
        for kind, time, body in db.execute(sql, (LOOK_BACK_ROWS,))
    ]
    return max(times, default=0.0)


def restamp(db: sqlite3.Connection, first_seq: int, shift_s: float) -> None:
    """Move blocks and beliefs from a row on, and drop the snapshots taken since. Inside the caller's transaction."""
    sql = "SELECT seq, kind, time, body FROM log WHERE seq >= ? AND kind IN ('block', 'belief')"
    moved = [
        (time + shift_s, _moved_block(body, shift_s) if kind == "block" else _moved_belief(body, shift_s), seq)
        for seq, kind, time, body in db.execute(sql, (first_seq,))
    ]
    db.executemany("UPDATE log SET time = ?, body = ? WHERE seq = ?", moved)
    db.execute("DELETE FROM snapshot WHERE seq >= ?", (first_seq,))


def _moved_block(body: bytes, shift_s: float) -> bytes:
    try:
        return pack([replace(sample, time=round(sample.time + shift_s, 6)) for sample in unpack(body)])
    except BadBlock:
        return body


def _moved_belief(body: bytes, shift_s: float) -> bytes:
    belief = json.loads(body)
    belief["time"] = round(belief["time"] + shift_s, 6)
    return json.dumps(belief, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
