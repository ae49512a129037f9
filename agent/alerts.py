"""Alerts on their way: causes and people's decisions in, rows for the journal out.

As with instructions, what decides gives rows and changes nothing; `absorb` then follows what was written, at work as
after a restart. So memory and journal cannot part.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from agent.causes import FINDINGS, Sight, Watched, causes
from agent.core.alarms import CLEARED, DAY_S, Alarms, AlertRefused, Step, open_after, step_of
from agent.core.outputs import Finding
from agent.core.review import NoSuchStep, NotAllowed
from agent.core.spec import SiteSpec
from agent.io.inbox import Word
from agent.reviews import LONGEST_KEY, LONGEST_REASON, Instruction, Row, finding_of
from agent.site import Site

DISK_EVERY_S: Final = 30.0  # a disk does not fill in less
RESTORED_ROWS: Final = 20_000  # alerts' steps of years


@dataclass(slots=True)
class Alerts:
    """All open alerts of a site. `steady` gives seconds, at the record clock's pace, that nobody sets."""

    site: SiteSpec
    watched: list[Watched]
    folder: Path  # whose disk is watched
    steady: Callable[[], float]
    alarms: Alarms = field(default_factory=Alarms)
    findings: dict[str, Finding] = field(default_factory=dict)  # those that last, by id
    _disk: tuple[int, int] | None = None
    _disk_at: float = float("-inf")

    # -- what is seen ---------------------------------------------------------------------------------------------

    def look(
        self,
        now: float,
        live: Mapping[str, Any],
        instructions: Iterable[Instruction],
        locked: Mapping[str, str],
        speed: float = 1.0,
        clock: str | None = None,
    ) -> list[Row]:
        """Rows for what the live picture (live.json's object) and the open instructions come to at `now` (epoch s).

        `locked`: sump → why its dosing is locked out; `speed` of the record clock; `clock`: what is wrong with it.
        """
        sumps, agent = live["sumps"], live["agent"]
        sight = Sight(
            now=now,
            beliefs={id: shown["belief"] for id, shown in sumps.items()},
            signals={id: shown["signals"] for id, shown in sumps.items()},
            filling={id: shown.get("filling") for id, shown in sumps.items()},
            findings=list(self.findings.values()),
            instructions=list(instructions),
            buses=agent["buses"],
            sinks=agent["sinks"],
            fault=agent["fault"] if agent["fault"] != clock else None,
            clock=clock,
            disk=self._room(),
            locked=locked,
            speed=speed,
        )
        return [_row(step) for step in self.alarms.look(causes(sight, self.site, self.watched), now, self.steady())]

    def _room(self) -> tuple[int, int] | None:
        steady_s = self.steady()
        if steady_s - self._disk_at >= DISK_EVERY_S:
            self._disk_at = steady_s
            try:
                usage = shutil.disk_usage(self.folder)
                self._disk = usage.free, usage.total
            except OSError:  # the folder is away: the journal's own fault says so
                self._disk = None
        return self._disk

    def shown(self, now: float) -> dict[str, Any]:
        """For live.json."""
        return {"alerts": [alert.shown() for alert in self.alarms.listed()], "alert_rate": self.alarms.rate(now)}

    # -- what people decide ---------------------------------------------------------------------------------------

    def decided(self, word: Word) -> list[Row]:
        """The row for a decision, taken or refused: nothing that a person said is lost."""
        body = word.body
        id, action = str(body.get("alert"))[:LONGEST_KEY], str(body.get("action"))[:LONGEST_KEY]
        reason = _words(body.get("reason"))
        until = body.get("until")
        until = float(until) if isinstance(until, int | float) and not isinstance(until, bool) else None
        try:
            return [_row(self.alarms.decide(id, action, word.person, word.role, word.time, until, reason))]
        except (NoSuchStep, NotAllowed, AlertRefused) as why:
            return [self._refusal(word, id, action, reason, until, str(why))]

    def _refusal(self, word: Word, id: str, action: str, reason: str | None, until: float | None, why: str) -> Row:
        alert = self.alarms.current.get(id)
        if alert is not None:
            return _row(Step(action, word.time, alert.state, alert, word.role, word.person, reason, why))
        told: dict[str, Any] = {"id": id, "kind": "", "sump": word.sump or None, "subject": "", "severity": ""}
        told |= {"event": action, "from": None, "state": CLEARED, "since": word.time, "text": "", "by": word.person}
        told |= {"role": word.role, "reason": reason, "until": until, "refused": why}
        return Row("alert", word.time, word.sump or None, id, told)

    # -- memory ---------------------------------------------------------------------------------------------------

    def absorb(self, row: Row, now: float) -> None:
        """Follow what was written to the journal."""
        if row.kind == "finding":
            self._absorb_finding(finding_of(row.body))
        elif row.kind == "word" and row.body.get("signal") == "dismissal" and not row.body.get("refused"):
            self.findings.pop(str(row.body.get("of")), None)  # also one that the core no longer knows
        elif row.kind == "alert":
            self.alarms.absorb(step_of(row.time, row.body), now, self.steady())

    def _absorb_finding(self, finding: Finding) -> None:
        if finding.kind in FINDINGS and finding.end is None and not finding.withdrawn:
            self.findings[finding.id] = finding
        else:
            self.findings.pop(finding.id, None)

    def restore(self, alerts: Iterable[Row], others: Iterable[Row], now: float) -> None:
        """After a restart: the journal's rows of alerts, then of findings and of words, each oldest first."""
        for row in others:
            self.absorb(row, now)
        steps = list(_readable(alerts))
        for step in steps:
            if step.event in ("raise", "return") and step.time > now - DAY_S and step.refused is None:
                self.alarms.raised_at.append(step.time)
        for step in open_after(steps):
            self._restore(step, now)

    def _restore(self, step: Step, now: float) -> None:
        kept = list(self.alarms.raised_at)
        if step.alert.sump is None or step.alert.sump in self.site.sumps:
            self.alarms.absorb(step, now, self.steady())
        self.alarms.raised_at = kept  # counted already


def watched_signals(site: Site) -> list[Watched]:
    """Which signals the site file says should come."""
    return [Watched(s.sump, s.signal, bus.id, bus.period_s) for bus in site.bus for s in bus.sensor]


def _readable(rows: Iterable[Row]) -> Iterator[Step]:
    """Steps from rows; one that another version wrote in another way stays in the journal and opens nothing."""
    for row in rows:
        with suppress(KeyError, TypeError):
            yield step_of(row.time, row.body)


def _row(step: Step) -> Row:
    return Row("alert", step.time, step.alert.sump, step.alert.id, step.body())


def _words(value: Any) -> str | None:
    text = str(value).strip()[:LONGEST_REASON] if isinstance(value, str) else ""
    return text.encode("utf-8", "replace").decode() or None
