"""People's words on their way from the inbox: into rows for the journal, and a record for the core.

The inbox is written by another process, which a stranger may have got into: nothing in it may stop the agent, and
nothing in it is lost. What cannot be taken is kept with the reason.
"""

from __future__ import annotations

from collections.abc import Callable

from agent.core.review import PEOPLE, REVIEWERS
from agent.core.spec import SiteSpec
from agent.errors import BadRecord
from agent.io.inbox import Word
from agent.notes import NOTES, noted
from agent.records import SAID, Record, record_from
from agent.reviews import Reviews, Row

REFUSED = "refused"  # ours to say: a restart does not give such a word to the core


def heard(
    word: Word, site: SiteSpec, reviews: Reviews, believed_l: Callable[[str], float]
) -> tuple[list[Row], Record | None]:
    """What a word comes to. `believed_l` gives the litres believed to be in a sump."""
    if word.kind == "decision":
        decision = reviews.decided(word, believed_l)
        return decision.rows, decision.record
    if word.kind in NOTES:
        return [_note(word, site)], None
    said = {name: value for name, value in word.body.items() if name != REFUSED}
    body = {**said, "time": word.time, "sump": word.sump, "by": word.person}
    try:
        record = record_from(body)
        _check(record, word, site)
    except BadRecord as why:
        refused = {**body, "role": word.role, REFUSED: why.reason}
        return [Row("word", word.time, word.sump, word.token, refused)], None
    return [Row("word", word.time, word.sump, word.token, {**body, "role": word.role})], record


def _note(word: Word, site: SiteSpec) -> Row:
    try:
        body = noted(word, site)
    except BadRecord as why:
        said = {**word.body, "time": word.time, "sump": word.sump, "by": word.person, "role": word.role}
        body = {**said, "signal": word.kind, REFUSED: why.reason}
    return Row("word", word.time, word.sump or None, word.token, body)


def _check(record: Record, word: Word, site: SiteSpec) -> None:
    """What the record alone does not tell. Raises BadRecord."""
    if record.sump not in site.sumps:
        raise BadRecord(f"the site has no sump {record.sump!r}")
    if record.signal not in SAID:
        raise BadRecord(f"{record.signal} is for sensors to say, not for people")
    if word.role not in PEOPLE:
        raise BadRecord(f"nobody is {word.role}")
    if record.signal == "setting" and word.role not in REVIEWERS:
        raise BadRecord(f"a setting is for {', '.join(sorted(REVIEWERS))}, not for {word.role}")
