"""Health: sensors and their gates, buses, forwarding, clock, disk, memory: what maintenance looks at first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from starlette.responses import Response

from agent.core.spec import SumpSpec
from dashboards import machine_state
from dashboards.core_sentences import core_text
from dashboards.desk import Ask
from dashboards.language import N_, _, decimal
from dashboards.machine_state import MachineState
from dashboards.render import page
from dashboards.show import NOTHING, age, span_in
from dashboards.sump_views import OLD_AFTER_S, SHOWN, gate_words

SIGNALS = {
    "level": N_("Level"),
    "temperature": N_("Temperature"),
    "brix": N_("Inline refractometer"),
    "running": N_("Pump"),
}
LITTLE_DISK_SHARE = 0.1
LITTLE_MEMORY_SHARE = 0.1
GOOD, LOOK, ACT = "good", "look", "act"


@dataclass(frozen=True, slots=True)
class Row:
    """One thing looked at: how it is, in words, and whether somebody should look."""

    name: str
    grade: str
    text: str


@dataclass(frozen=True, slots=True)
class Sensor:
    sump: str
    name: str
    grade: str
    value: str
    age: str
    text: str
    calibrated: str


async def show(ask: Ask) -> Response:
    live = ask.live
    state = machine_state.look(ask.desk.folders.state, ask.desk.journal_path, _pid(ask))
    sensors = [row for spec in ask.desk.site.sumps.values() for row in _sensors(ask, spec)]
    return page(
        ask, "health.html", logger=_logger(ask), sensors=sensors, machine=_machine(state, ask),
        buses=[_bus(name, one, ask) for name, one in _tables(live.agent, "buses")],
        sinks=[_sink(name, one) for name, one in _tables(live.agent, "sinks")],
    )  # fmt: skip


def _tables(agent: dict[str, Any], name: str) -> list[tuple[str, dict[str, Any]]]:
    found = agent.get(name)
    return [(id, one) for id, one in found.items() if isinstance(one, dict)] if isinstance(found, dict) else []


def _pid(ask: Ask) -> int | None:
    pid = ask.live.agent.get("pid")
    return pid if isinstance(pid, int) and not ask.live.silent else None


def _logger(ask: Ask) -> list[Row]:
    agent, live = ask.live.agent, ask.live
    said = _("silent") if live.silent else _("at work")
    rows = [Row(_("Logger"), ACT if live.silent else GOOD, said)]
    if agent.get("version"):
        rows.append(Row(_("Version"), GOOD, str(agent["version"])))
    if isinstance(agent.get("started"), (int, float)):
        rows.append(Row(_("Started"), GOOD, ask.show.clock(agent["started"], live.now_s)))
    if agent.get("fault"):
        rows.append(Row(_("Fault"), ACT, core_text(agent["fault"])))
    if agent.get("lost_samples"):
        rows.append(Row(_("Samples lost"), LOOK, str(agent["lost_samples"])))
    fault = ask.desk.queries.fault
    rows.append(Row(_("Journal"), ACT if fault else GOOD, fault or _("{n} rows", n=ask.desk.queries.last_seq())))
    return rows


def _bus(name: str, one: dict[str, Any], ask: Ask) -> Row:
    well = bool(one.get("ok"))
    text = core_text(one.get("text")) or (_("answers") if well else _("silent"))
    last = one.get("last_s")
    if isinstance(last, (int, float)) and not well:
        text = _("{text}; last heard {age}", text=text, age=age(ask.now_s - last))
    if one.get("dropped"):
        text = _("{text}; {n} readings dropped", text=text, n=one["dropped"])
    return Row(name, GOOD if well else ACT, text)


def _sink(name: str, one: dict[str, Any]) -> Row:
    behind = int(one.get("behind_rows") or 0)
    text = core_text(one.get("text")) or (_("connected") if one.get("connected") else _("not connected"))
    if behind:
        text = _("{text}; {n} rows to send", text=text, n=behind)
    return Row(name, GOOD if one.get("connected") else LOOK, text)


def _sensors(ask: Ask, spec: SumpSpec) -> list[Sensor]:
    signals = ask.live.sumps.get(spec.id, {}).get("signals", {})
    return [_sensor(ask, spec, name, words) for name, words in SIGNALS.items() if name in signals]


def _sensor(ask: Ask, spec: SumpSpec, name: str, words: str) -> Sensor:
    sample = ask.live.signal(spec.id, name)
    if sample is None:
        return Sensor(spec.name, _(words), ACT, NOTHING, _("no reading"), "", "")
    old_s = ask.now_s - sample["time"]
    flags = int(sample.get("flags") or 0)
    fresh = old_s <= OLD_AFTER_S or name == "running"
    grade = GOOD if fresh and not flags else LOOK if fresh else ACT
    text = gate_words(str(sample.get("text") or "")) if flags else _("good")
    return Sensor(spec.name, _(words), grade, _value(ask, name, sample), age(old_s), text, _calibrated(ask, spec, name))


def _value(ask: Ask, name: str, sample: dict[str, Any]) -> str:
    """With its unit; of a level also the raw reading, which has the curve's own."""
    raw = sample.get("raw")
    if raw is None:
        return NOTHING
    if name == "running":
        return _("runs") if raw else _("stands still")
    shown = SHOWN[name](sample, ask.show)
    return _("{litres}, raw {reading}", litres=shown, reading=decimal(float(raw), 1)) if name == "level" else shown


def _calibrated(ask: Ask, spec: SumpSpec, name: str) -> str:
    """Since when the curve or the factor in force holds, where somebody has set it since the site file."""
    field = {"level": "curve", "brix": "refractometer_factor"}.get(name)
    if field is None:
        return ""
    times = [row.time for row in ask.desk.queries.lasting("setting", spec.id) if row.data().get("field") == field]
    return age(ask.now_s - times[-1]) if times else _("as in the site file")


def _machine(state: MachineState, ask: Ask) -> list[Row]:
    rows = [
        _room(_("Disk"), state.disk_free, state.disk_total, LITTLE_DISK_SHARE),
        _room(_("Memory"), state.memory_free, state.memory_total, LITTLE_MEMORY_SHARE),
    ]
    rows += [Row(name, GOOD, size(n)) for name, n in _sizes(state) if n is not None]
    if state.load_1min is not None:
        busy = state.load_1min > 2 * state.cores
        load = _("{load} on {cores} cores", load=decimal(state.load_1min, 1), cores=state.cores)
        rows.append(Row(_("Load"), LOOK if busy else GOOD, load))
    if state.celsius is not None:
        rows.append(Row(_("Processor"), LOOK if state.celsius > 75 else GOOD, ask.show.temperature(state.celsius, 0)))
    if state.clock_set is not None:
        clock = _("set by the network") if state.clock_set else _("not set by the network")
        rows.append(Row(_("Clock"), GOOD if state.clock_set else LOOK, clock))
    if state.up_s is not None:
        rows.append(Row(_("Running for"), GOOD, span_in(state.up_s)))
    return rows


def _sizes(state: MachineState) -> list[tuple[str, int | None]]:
    return [
        (_("Journal on disk"), state.journal_bytes), (_("Memory of the logger"), state.agent_memory),
        (_("Memory of these pages"), state.own_memory),
    ]  # fmt: skip


def _room(name: str, free: int | None, total: int | None, little: float) -> Row:
    if free is None or not total:
        return Row(name, LOOK, _("not known"))
    text = _("{free} free of {total}", free=size(free), total=size(total))
    return Row(name, GOOD if free > little * total else ACT, text)


def size(n: int) -> str:
    """Bytes as people read them."""
    for unit, step in (("GB", 1e9), ("MB", 1e6)):
        if n >= step:
            return f"{decimal(n / step, 1 if n < 100 * step else 0)} {unit}"
    return f"{decimal(n / 1e3, 0)} kB"
