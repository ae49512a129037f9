"""The live picture: what the agent shows of this moment, to the dashboards' live file and to systemd."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from agent.core.filling import Asked, Filling
from agent.core.gates import describe
from agent.core.review import APPROVED, BEGUN
from agent.io.journal import Sample
from agent.reviews import Instruction


@dataclass(slots=True)
class Picture:
    """The newest sample of every signal, and how it is told."""

    simulated: bool
    signals: dict[str, dict[str, dict[str, Any]]] = field(default_factory=dict)

    def show(self, sample: Sample) -> bool:
        """A newer sample of a signal; whether it is the first of that signal."""
        told: dict[str, Any] = {"time": sample.time, "raw": sample.raw}
        if sample.signal == "level":
            told["litres"] = round(sample.value, 3)
        told |= {"flags": sample.flags, "text": describe(sample.flags), "simulated": sample.simulated}
        shown = self.signals.setdefault(sample.sump, {})
        first = sample.signal not in shown
        shown[sample.signal] = told
        return first

    def body(
        self,
        time: float,
        boot: int,
        agent: dict[str, Any],
        beliefs: Mapping[str, dict[str, Any]],
        fillings: Mapping[str, Filling | None] | None = None,
    ) -> dict[str, Any]:
        """The live file's object; by sump, beliefs (each a row of contract.md) and what is being poured."""
        sumps = {}
        for sump, belief in beliefs.items():
            pour = (fillings or {}).get(sump)
            told = pour.row() if pour is not None else None
            sumps[sump] = {"signals": self.signals.get(sump, {}), "belief": belief, "filling": told}
        return {"time": time, "boot": boot, "agent": agent, "simulated": self.simulated, "sumps": sumps}


def asked(known: Iterable[Instruction], sump: str) -> Asked | None:
    """The pour that people at a sump may do now: the one begun, else the one approved."""
    open_ones = [one for one in known if one.sump == sump and one.adds and one.volume_l is not None]
    for state in (BEGUN, APPROVED):
        for one in open_ones:
            if one.state == state:
                return Asked(one.id, one.volume_l or 0.0, state == BEGUN)
    return None


def status_line(buses: dict[str, dict[str, Any]], sinks: dict[str, Any], fault: str | None) -> str:
    """One line for `systemctl status`."""
    well = sum(1 for bus in buses.values() if bus["ok"])
    parts = [f"{well} of {len(buses)} buses read"]
    parts += [f"{name}: {bus['text']}" for name, bus in buses.items() if not bus["ok"]]
    parts += [f"{name}: {sink['text']}" for name, sink in sinks.items()]
    return "; ".join([*parts, *([fault] if fault else [])])
