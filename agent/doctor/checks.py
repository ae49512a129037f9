"""The list of checks, in the order in which they are told. A name is a promise to scripts: add, never rename."""

from __future__ import annotations

from collections.abc import Callable

from agent.doctor import card, files, machine, network, running
from agent.doctor.place import Place, Verdict

CHECKS: dict[str, Callable[[Place], Verdict]] = {
    "site_file": files.site_file,
    "python": machine.python,
    "clock": machine.clock,
    "real_time_clock": machine.real_time_clock,
    "time_zone": machine.time_zone,
    "boot": machine.boot,
    "memory": machine.memory,
    "swap": machine.swap,
    "temperature": machine.temperature,
    "supply": machine.supply,
    "watchdog": machine.watchdog,
    "space": card.space,
    "inodes": card.inodes,
    "writable": card.writable,
    "wear": card.wear,
    "journal": files.journal,
    "chain": files.chain,
    "put_aside": files.put_aside,
    "snapshot": files.snapshot,
    "dead_letters": files.dead_letters,
    "inbox": files.inbox,
    "heard": files.heard,
    "people": files.people,
    "secrets": files.secrets,
    "calibration": files.calibration,
    "backups": files.backups,
    "ports": network.ports,
    "port_names": network.port_names,
    "live": running.agent,
    "version": running.version,
    "buses": running.buses,
    "lost_samples": running.lost_samples,
    "publishers": running.publishers,
    "broker": network.broker,
    "store": network.store,
    "store_doubles": network.store_doubles,
    "certificates": network.certificates,
    "alerts": running.alerts,
    "pages": running.pages,
    "units": running.units,
    "unit_watchdog": running.unit_watchdog,
}
