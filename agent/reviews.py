"""Instructions on their way: advice in, decisions in, rows for the journal out.

Every method that decides gives rows and changes nothing; `absorb` then takes what was written, at work as after a
restart. So memory and journal cannot part.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from typing import Any, Final, TypeVar

from agent.core import review
from agent.core.outputs import Advice, Finding
from agent.core.review import AGENT, DONE, POLICY, NoSuchStep, NotAllowed
from agent.core.spec import SiteSpec
from agent.errors import BadRecord
from agent.io.inbox import Word
from agent.io.journal import seals
from agent.records import Record, record_from

PROOF_WAIT_S: Final = 2 * 3600.0  # a level has settled and been judged long before
BEGUN_WAIT_S: Final = 12 * 3600.0  # nobody pours for longer than a shift
BEFORE_S: Final = 900.0  # a pour may have begun this long before the instruction was posted: somebody saw it coming
FINDINGS_KEPT_S: Final = 24 * 3600.0
ADDING: Final = frozenset({"top_off", "strengthen", "thin", "drain_part"})
INFLOWS: Final = frozenset({"top_off", "recharge"})
READINGS: Final = frozenset({"hand_reading", "titration"})
LONGEST_KEY: Final = 200  # characters; our own ids have some 30
LONGEST_REASON: Final = 1000  # characters; more is no reason but a letter


T = TypeVar("T", Advice, Finding)


class Refused(Exception):
    """A decision that cannot be taken, in words that the person may read."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row for the journal."""

    kind: str
    time: float  # epoch s
    sump: str | None
    id: str | None
    body: dict[str, Any]


@dataclass(slots=True)
class Instruction:
    """One advice and where its review stands; `state` None while it waits for its turn."""

    id: str
    sump: str
    kind: str
    advice: dict[str, Any]
    state: str | None = None
    volume_l: float | None = None  # as advised or amended
    makeup_pct: float | None = None
    sealed: bool = False  # a person has approved or begun it: its numbers stay as that person saw them
    posted_at: float = 0.0
    begun_at: float = 0.0
    done_at: float = 0.0
    said_l: float | None = None  # what the person says went in
    said_pct: float | None = None

    @property
    def busy(self) -> bool:
        """Somebody has it, or its proof is awaited: the sump's next one waits."""
        return self.state in review.OPEN or self.state == DONE

    @property
    def adds(self) -> bool:
        """Whether doing it pours something in."""
        return self.kind in ADDING and self.makeup_pct is not None


@dataclass(frozen=True, slots=True)
class Decision:
    """What a decision comes to: rows to write, and the record that the core then hears."""

    rows: list[Row]
    record: Record | None = None


@dataclass(slots=True)
class Reviews:
    """All instructions that are not ended, and what may prove them."""

    site: SiteSpec
    top_off: str  # the site's policy: "post" or "review"
    find: Callable[[str], dict[str, Any] | None]  # an ended instruction, from the journal
    known: dict[str, Instruction] = field(default_factory=dict)
    inflows: dict[str, Finding] = field(default_factory=dict)  # by finding id
    used: set[str] = field(default_factory=set)  # findings that have proven an instruction: each proves one
    read_at: dict[str, float] = field(default_factory=dict)  # sump → when its strength was last read, epoch s

    # -- what the core says ---------------------------------------------------------------------------------------

    def advised(self, advice: Advice, now: float) -> list[Row]:
        """Rows for an advice, new, rewritten or withdrawn."""
        rows = [Row("advice", advice.time, advice.sump, advice.id, advice.row())]
        known = self.known.get(advice.id)
        if advice.withdrawn and known is not None and known.state is not None:
            rows += self._by_machine(known, "withdraw", now, advice.reason)
        return rows

    def found(self, finding: Finding) -> list[Row]:
        """The row for a finding."""
        return [Row("finding", finding.time, finding.sump, finding.id, finding.row())]

    def due(self, now: float) -> list[Row]:
        """What time and the sump's answer bring: proofs, expiries, the next instruction of a free sump."""
        rows: list[Row] = []
        for one in self.known.values():
            if one.state == DONE:
                rows += self._judged(one, now)
            elif one.state == review.BEGUN and now - one.begun_at > BEGUN_WAIT_S:
                rows += self._by_machine(one, "expire", now, "begun, and never heard of again")
        busy = {one.sump for one in self.known.values() if one.busy}
        for one in self.known.values():
            if one.state is None and one.sump not in busy:
                busy.add(one.sump)
                rows += self._posted(one, now)
        return rows

    def _posted(self, one: Instruction, now: float) -> list[Row]:
        rows = [_step(one, "post", None, review.POSTED, AGENT, AGENT, now, one.advice.get("reason"))]
        if not review.needs_review(_from_row(Advice, one.advice), self.site.sumps[one.sump].usual_pct, self.top_off):
            to = review.apply(review.POSTED, "approve", POLICY)
            rows.append(_step(one, "approve", review.POSTED, to, POLICY, POLICY, now, "routine, by the site's policy"))
        return rows

    def _by_machine(self, one: Instruction, event: str, now: float, reason: str) -> list[Row]:
        assert one.state is not None
        try:
            to = review.apply(one.state, event, AGENT)
        except NoSuchStep:
            return []  # begun or done: a person's work is judged, not taken back
        return [_step(one, event, one.state, to, AGENT, AGENT, now, reason)]

    # -- proof ----------------------------------------------------------------------------------------------------

    def _judged(self, one: Instruction, now: float) -> list[Row]:
        late = now - one.done_at > PROOF_WAIT_S
        proof, finding = self._answer(one)
        if not proof.ok and not late:
            return []
        rows = self._by_machine(one, "prove" if proof.ok else "disprove", now, proof.text)
        for row in rows:
            row.body["finding"] = finding
        return rows

    def _answer(self, one: Instruction) -> tuple[review.Proof, str | None]:
        """The proof, and the finding it rests on."""
        if one.kind == "read_strength":
            read = self.read_at.get(one.sump, 0.0) >= one.posted_at - BEFORE_S
            return review.Proof(read, "the strength was read" if read else "no reading was entered"), None
        if not one.adds:
            return review.Proof(True, "said to be done; nothing to measure"), None
        proof, id = review.prove(one.said_l, one.said_pct, None), None
        for finding in self._inflows_for(one):
            proof, id = review.prove(one.said_l, one.said_pct, finding), finding.id
            if proof.ok:
                break
        return proof, id

    def _inflows_for(self, one: Instruction) -> list[Finding]:
        since = one.posted_at - BEFORE_S
        unused = [f for f in self.inflows.values() if f.sump == one.sump and f.id not in self.used]
        return [f for f in unused if f.start >= since]

    # -- what people decide ---------------------------------------------------------------------------------------

    def decided(self, word: Word, believed_l: Callable[[str], float]) -> Decision:
        """Rows for a decision, taken or refused; for `done` also the addition that it tells of."""
        body = word.body
        id, action = _text(body.get("advice")), _text(body.get("action"))
        one = self.known.get(id) or self._ended(id)
        try:
            if one is None or one.state is None or one.sump not in self.site.sumps:
                raise Refused("there is no such instruction")
            event = review.ACTIONS.get(action)
            if event is None:
                raise Refused(f"no such action: {action}")
            to = review.apply(one.state, event, word.role)
            self._check(one, event, body, believed_l)
            record = self._told(one, word) if event == "done" else None
        except (NoSuchStep, NotAllowed, Refused, BadRecord) as why:
            return Decision([_refusal(one, word, id, action, str(why))])
        row = _step(one, event, one.state, to, word.person, word.role, word.time, body.get("reason"), body)
        if record is None:
            return Decision([row])
        return Decision([row, _word_row(record, word, id)], record)

    def _check(self, one: Instruction, event: str, body: dict[str, Any], believed_l: Callable[[str], float]) -> None:
        if event == "approve" and not _is_current(one, body.get("seen")):
            raise Refused("the instruction has other numbers by now: look at it again")
        if event in review.NEEDS_REASON and not str(body.get("reason") or "").strip():
            raise Refused("a reason is needed")
        if event != "amend":
            return
        volume_l, makeup_pct = _number(body, "volume_l"), _number(body, "makeup_pct")
        if volume_l is None and makeup_pct is None:
            raise Refused("nothing was changed")
        fault = review.amendment_fault(self.site.sumps[one.sump], believed_l(one.sump), volume_l, makeup_pct)
        if fault is not None:
            raise Refused(fault)

    def _told(self, one: Instruction, word: Word) -> Record | None:
        """What "done" says went in; as instructed where the person names no figures. Raises BadRecord."""
        if not one.adds:
            return None
        said: dict[str, Any] = {"time": word.time, "sump": one.sump, "signal": "addition", "by": word.person}
        said["volume_l"] = word.body.get("volume_l", one.volume_l)
        said["pct"] = word.body.get("makeup_pct", one.makeup_pct)
        said["at"] = word.body.get("at")
        return record_from(said)

    def _ended(self, id: str) -> Instruction | None:
        found = self.find(id)
        return None if found is None else _rebuilt(found)

    # -- memory ---------------------------------------------------------------------------------------------------

    def absorb(self, row: Row) -> None:
        """Follow what was written to the journal."""
        if row.kind == "advice":
            self._absorb_advice(row)
        elif row.kind == "review" and row.body.get("to"):
            self._absorb_step(row)
        elif row.kind == "finding":
            self._absorb_finding(row)
        elif row.kind == "word" and row.sump is not None and _tells_strength(row.body):
            self.read_at[row.sump] = max(row.time, self.read_at.get(row.sump, 0.0))

    def _absorb_advice(self, row: Row) -> None:
        one = self.known.get(row.id or "")
        if one is not None and row.body.get("withdrawn"):
            if one.state is None:
                del self.known[one.id]
        elif one is not None:
            _heed(one, row.body)
        elif not row.body.get("withdrawn") and not self._has_ended(row.id or ""):
            self.known[row.id or ""] = _new(row)

    def _has_ended(self, id: str) -> bool:
        """True where a person or the agent was through with it, though the core still holds it."""
        found = self.find(id)
        return found is not None and found["state"] is not None

    def _absorb_step(self, row: Row) -> None:
        one = self.known.get(row.body["advice"]) or self._ended(row.body["advice"])
        if one is None:
            return
        _follow(one, row.time, row.body)
        if row.body.get("finding"):
            self.used.add(row.body["finding"])
        if one.state in review.ENDED:
            self.known.pop(one.id, None)
        else:
            self.known[one.id] = one

    def _absorb_finding(self, row: Row) -> None:
        finding = _from_row(Finding, row.body)
        settled = finding.end is not None and not finding.withdrawn
        if finding.kind in INFLOWS and settled:
            self.inflows[finding.id] = finding
        else:
            self.inflows.pop(finding.id, None)
        newest = max((f.time for f in self.inflows.values()), default=0.0)
        self.inflows = {id: f for id, f in self.inflows.items() if f.time > newest - FINDINGS_KEPT_S}

    def restore(self, open_ones: Iterable[dict[str, Any]], late: Iterable[Row]) -> None:
        """After a restart: instructions as the journal's reader gives them, then the last day's rows of all kinds."""
        for found in open_ones:
            one = _rebuilt(found)
            if one.sump in self.site.sumps:  # a sump that was taken off the site file has nobody to act on it
                self.known[one.id] = one
        for row in late:
            if row.kind in ("finding", "word"):
                self.absorb(row)
            elif row.kind == "review" and row.body.get("finding"):
                self.used.add(row.body["finding"])


def _is_current(one: Instruction, seen: Any) -> bool:
    """Whether what was shown is what would be approved; where nothing was said about it, it is taken on trust."""
    shown = seen.get("advice") if isinstance(seen, dict) else None
    if not isinstance(shown, dict):
        return True
    return (_number(shown, "volume_l"), _number(shown, "makeup_pct")) == (one.volume_l, one.makeup_pct)


def _tells_strength(body: dict[str, Any]) -> bool:
    return not body.get("refused") and body.get("signal") in READINGS


def _new(row: Row) -> Instruction:
    one = Instruction(row.id or "", row.sump or "", str(row.body["kind"]), row.body)
    _heed(one, row.body)
    return one


def _heed(one: Instruction, advice: dict[str, Any]) -> None:
    """A rewritten advice changes the numbers, until a person has taken them."""
    if not one.sealed:
        one.volume_l, one.makeup_pct = advice.get("volume_l"), advice.get("makeup_pct")
        one.advice = advice


def _rebuilt(found: dict[str, Any]) -> Instruction:
    """An instruction from its rows."""
    advice = found["advice"]
    one = Instruction(found["id"], found["sump"], str(advice["kind"]), advice)
    one.volume_l, one.makeup_pct = advice.get("volume_l"), advice.get("makeup_pct")
    for row in found["reviews"]:
        if row.get("to"):
            _follow(one, row["time"], row)
    return one


def _follow(one: Instruction, time: float, body: dict[str, Any]) -> None:
    event = body["event"]
    one.state = body["to"]
    one.sealed = one.sealed or seals(body)
    if event == "post":
        one.posted_at = time
    elif event == "begin":
        one.begun_at = time
    elif event == "done":
        one.done_at = time
    if event in ("amend", "done"):
        volume_l, makeup_pct = _number(body, "volume_l"), _number(body, "makeup_pct")
        one.volume_l = one.volume_l if volume_l is None else volume_l
        one.makeup_pct = one.makeup_pct if makeup_pct is None else makeup_pct
    if event == "done":
        one.said_l, one.said_pct = one.volume_l, one.makeup_pct


def _step(
    one: Instruction,
    event: str,
    before: str | None,
    to: str,
    by: str,
    role: str,
    time: float,
    reason: Any,
    said: dict[str, Any] | None = None,
) -> Row:
    said = said or {}
    body = {
        "advice": one.id,
        "event": event,
        "from": before,
        "to": to,
        "by": by,
        "role": role,
        "reason": str(reason)[:LONGEST_REASON] if reason else None,
        "volume_l": _number(said, "volume_l"),
        "makeup_pct": _number(said, "makeup_pct"),
        "seen": said.get("seen"),
    }
    return Row("review", time, one.sump, one.id, body)


def _refusal(one: Instruction | None, word: Word, id: str, action: str, why: str) -> Row:
    """A decision that was not taken is kept with everything the person said."""
    body = {
        "advice": id,
        "event": review.ACTIONS.get(action, action),
        "from": one.state if one else None,
        "to": None,
        "by": word.person,
        "role": word.role,
        "reason": word.body.get("reason"),
        "volume_l": _number(word.body, "volume_l"),
        "makeup_pct": _number(word.body, "makeup_pct"),
        "seen": word.body.get("seen"),
        "refused": why,
    }
    return Row("review", word.time, one.sump if one else word.sump, id, body)


def _word_row(record: Record, word: Word, id: str) -> Row:
    body = {"time": record.time, "sump": record.sump, "signal": record.signal, "volume_l": record.volume_l}
    body |= {"pct": record.pct, "at": record.at, "by": record.by, "role": word.role, "advice": id}
    return Row("word", word.time, record.sump, word.token, body)


def _text(value: Any) -> str:
    """A key as a person's program sent it, fit for any column."""
    return str(value)[:LONGEST_KEY].encode("utf-8", "replace").decode()


def _number(body: dict[str, Any], name: str) -> float | None:
    value = body.get(name)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def finding_of(row: dict[str, Any]) -> Finding:
    """A finding from its journal row."""
    return _from_row(Finding, row)


def _from_row(kind: type[T], row: dict[str, Any]) -> T:
    """An output from its journal row."""
    known: dict[str, Any] = {f.name: row.get(f.name) for f in fields(kind)}
    return kind(**known)
