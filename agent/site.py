"""The site file (TOML): its shape as pydantic models, and the two ways in, `load_site` and `check_site`.

All strengths are % by volume of the mix, all volumes litres. What one key must obey stands here beside it; what
keys must obey together stands in `site_checks`; how a fault is worded and placed, in `site_faults`.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, PrivateAttr, ValidationError

from agent.core.calendar import Calendar
from agent.core.curve import Curve
from agent.core.measures import BUCKET_L, BUCKET_MARK_L, Measures
from agent.core.spec import SiteSpec, SumpSpec
from agent.errors import SiteFault
from agent.output_checks import is_this_machine
from agent.shop import calendar_of
from agent.site_buses import BUSES, SENSORS, Bus, Loop, Meter, NetworkPort, Seconds, Sensor, Slug, Text
from agent.site_buses import Table as _Table
from agent.site_checks import check_together, resolve_curves
from agent.site_faults import WEB_ADDRESS, Fault, Tables, UnreadableToml, faults_of, read_toml, slug_of
from agent.site_outputs import AlertsOut, CoilDosing, Dosing, LineDosing
from agent.site_shop import CalendarTable, ShiftTable, StockTable

FLOOR_PCT = 0.5  # the leanest mix that still protects anything, where the file names none
Litres = Annotated[float, Field(gt=0.0, le=1e6)]
Percent = Annotated[float, Field(gt=0.0, lt=100.0)]


class SiteInfo(_Table):
    """[site]: the works' name, its slug in topics (made from the name unless given), zone and units for eyes."""

    name: Text
    id: Slug | None = None
    timezone: Text = "UTC"
    units: Literal["litre", "us_gallon"] = "litre"
    degrees: Literal["celsius", "fahrenheit"] = "celsius"  # of temperatures, for people's eyes only


class Fluid(_Table):
    """[sump.fluid]: the band of the fluid's data sheet; strength % = Brix × refractometer_factor."""

    name: str = ""
    target_pct: Percent
    low_pct: Percent
    high_pct: Percent
    refractometer_factor: Annotated[float, Field(ge=0.3, le=10.0)]
    price_per_l: Annotated[float, Field(gt=0.0)] | None = None  # of concentrate, in [stock] currency


class Makeup(_Table):
    """[sump.makeup]: what the proportioner is set to, and the leanest and richest mix that may be advised."""

    usual_pct: Annotated[float, Field(ge=0.0, lt=100.0)]
    leanest_pct: Annotated[float, Field(ge=0.0, lt=100.0)] | None = None
    richest_pct: Percent | None = None
    bucket_l: Litres = BUCKET_L  # what people mix in, and the litres between its marks
    bucket_mark_l: Litres = BUCKET_MARK_L
    proportioner_settings_pct: list[Percent] = []  # rising; empty where only the usual one is used

    def measures(self) -> Measures:
        """What the core needs of it."""
        return Measures(self.bucket_l, self.bucket_mark_l, tuple(self.proportioner_settings_pct))


class Level(_Table):
    """[sump.level]: measured points (raw reading, L), given here or in a file that the calibration tool wrote."""

    curve: tuple[tuple[float, float], ...]


class Sump(_Table):
    """[[sump]]: one tank; the marks are litres of the whole system at rest."""

    id: Slug
    name: str = ""
    full_l: Litres
    low_l: Litres
    high_l: Litres
    fluid: Fluid
    makeup: Makeup
    level: Level
    dosing: Dosing | None = None

    def spec(self) -> SumpSpec:
        """What the core needs of this sump, defaults filled in (trade rules: 0.1 and 2 times the target)."""
        fluid, makeup = self.fluid, self.makeup
        leanest = max(FLOOR_PCT, fluid.target_pct / 10.0) if makeup.leanest_pct is None else makeup.leanest_pct
        return SumpSpec(
            id=self.id,
            name=self.name or self.id,
            full_l=self.full_l,
            low_l=self.low_l,
            high_l=self.high_l,
            target_pct=fluid.target_pct,
            low_pct=fluid.low_pct,
            high_pct=fluid.high_pct,
            refractometer_factor=fluid.refractometer_factor,
            usual_pct=makeup.usual_pct,
            leanest_pct=min(leanest, makeup.usual_pct) if makeup.leanest_pct is None else leanest,
            richest_pct=makeup.richest_pct or max(2.0 * fluid.target_pct, makeup.usual_pct),
            curve=Curve.of(self.level.curve),
            measures=makeup.measures(),
        )


class Agent(_Table):
    """[agent]: where it keeps its files and how often it writes them."""

    state_dir: Text = "/var/lib/sumpside"
    inbox_dir: Text = "/var/lib/sumpside-inbox"
    runtime_dir: Text = "/run/sumpside"
    block_s: Annotated[float, Field(gt=0.0, le=60.0)] = 60.0  # samples commit in blocks; the watchdog waits for three
    belief_every_s: Seconds = 600.0  # beliefs written to the journal


class Mqtt(_Table):
    """[mqtt]: a broker to publish to."""

    host: Text
    port: NetworkPort = 1883
    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    tls: bool = False
    keepalive_s: Annotated[int, Field(ge=5, le=65_535)] = 60


class Timeseries(_Table):
    """[timeseries]: a store that takes line protocol by the v2 write API."""

    url: Annotated[str, Field(pattern=WEB_ADDRESS)]
    org: str = ""
    bucket: Text
    token_file: str | None = None


class Web(_Table):
    """[web]: where the dashboards listen."""

    host: Text = "127.0.0.1"
    port: NetworkPort = 8080
    base_url: Annotated[str, Field(pattern=WEB_ADDRESS)] | None = None  # as phones reach it: printed on labels
    certificate_file: str | None = None  # PEM, with its chain; without one the pages are for this machine alone
    key_file: str | None = None
    tls_proxy: str | None = None  # address of a proxy that speaks TLS before the pages; nobody else is answered

    @property
    def tls(self) -> bool:
        """True where nobody gets a page without TLS."""
        return self.certificate_file is not None or self.tls_proxy is not None

    def left_open(self, host: str) -> bool:
        """True where the pages would be open to others without TLS."""
        return not self.tls and not is_this_machine(host)


class Review(_Table):
    """[review]: who looks first. Corrections are always reviewed; a routine top-off may go straight to people."""

    top_off: Literal["post", "review"] = "post"


class Site(_Table):
    """The whole site file."""

    site: SiteInfo
    sump: Annotated[list[Sump], Field(min_length=1)]
    agent: Agent = Agent()
    bus: list[Bus] = []
    mqtt: Mqtt | None = None
    timeseries: Timeseries | None = None
    web: Web = Web()
    review: Review = Review()
    alerts: AlertsOut | None = None
    calendar: CalendarTable = CalendarTable()
    stock: StockTable = StockTable()
    _folder: Path = PrivateAttr(default=Path("."))

    @property
    def slug(self) -> str:
        """The site's name in topics and tags."""
        return self.site.id or slug_of(self.site.name)

    @property
    def simulated(self) -> bool:
        """True where any bus plays instead of measuring."""
        return any(bus.simulated for bus in self.bus)

    def resolve(self, path: str) -> Path:
        """A path of the file as it is meant: relative to the site file's own folder."""
        return self._folder / path

    def sensor_of(self, sump: str, signal: str) -> Sensor | None:
        """What reads a signal of a sump; None where nothing does."""
        sensors: list[Sensor] = [s for bus in self.bus for s in bus.sensor]
        return next((s for s in sensors if (s.sump, s.signal) == (sump, signal)), None)

    def serial_of(self, sump: str, signal: str) -> str:
        """The serial number of a sump's sensor; empty where the file names none."""
        found = self.sensor_of(sump, signal)
        return (found.serial_number if found else None) or ""

    def summary(self) -> str:
        """What the file describes, in one line for people."""
        sensors = sum(len(bus.sensor) for bus in self.bus)
        counts = ((len(self.sump), "sump", "s"), (sensors, "sensor", "s"), (len(self.bus), "bus", "es"))
        sumps, sensed, buses = (f"{n} {word}{'' if n == 1 else more}" for n, word, more in counts)
        return f"{self.site.name}, {sumps}, {sensed} on {buses}"

    def spec(self) -> SiteSpec:
        """What the core needs of the site."""
        sumps = {sump.id: sump.spec() for sump in self.sump}
        return SiteSpec(self.site.name, self.site.timezone, self.site.units, sumps, self.shop_calendar())

    def shop_calendar(self, words: Iterable[dict[str, Any]] = ()) -> Calendar | None:
        """When people are there, what they closed and opened on the pages included; None where nobody told it."""
        shifts, changes = [shift.plain() for shift in self.calendar.shift], list(words)
        if not (shifts or changes or self.calendar.closed):
            return None
        found = calendar_of(ZoneInfo(self.site.timezone), shifts, self.calendar.closed, changes)
        return found if found.told or found.closed else None


_TABLES: Tables = {
    (): Site,
    ("site",): SiteInfo,
    ("sump",): Sump,
    ("sump", "fluid"): Fluid,
    ("sump", "makeup"): Makeup,
    ("sump", "level"): Level,
    ("agent",): Agent,
    ("mqtt",): Mqtt,
    ("timeseries",): Timeseries,
    ("web",): Web,
    ("review",): Review,
    ("alerts",): AlertsOut,
    ("sump", "dosing", "modbus_coil"): CoilDosing,
    ("sump", "dosing", "gpio"): LineDosing,
    ("calendar",): CalendarTable,
    ("calendar", "shift"): ShiftTable,
    ("stock",): StockTable,
    **{("bus", driver): model for driver, model in BUSES.items()},
    **{("bus", driver, "sensor"): model for driver, model in SENSORS.items()},
    **{("bus", driver, "sensor", "loop"): Loop for driver in SENSORS},
    **{("bus", driver, "sensor", "meter"): Meter for driver in SENSORS},
}


def load_site(path: str | os.PathLike[str]) -> Site:
    """The site in a file. Raises SiteFault with every fault of it, not just the first."""
    site, faults, _ = _read(Path(path))
    if site is None or faults:
        raise SiteFault([f"{path}: {fault}" for fault in faults])
    return site


def check_site(path: str | os.PathLike[str]) -> tuple[list[str], list[str]]:
    """Faults and warnings of a site file, one finished line each: `FILE: KEY PATH: what is wrong, what to do`."""
    _, faults, warnings = _read(Path(path))
    return [f"{path}: {fault}" for fault in faults], [f"{path}: {warning}" for warning in warnings]


def _read(path: Path) -> tuple[Site | None, list[Fault], list[Fault]]:
    try:
        raw = read_toml(path)
    except UnreadableToml as error:
        return None, [error.fault], []
    return _judge(raw, path.parent)


def _judge(raw: dict[str, Any], folder: Path) -> tuple[Site | None, list[Fault], list[Fault]]:
    faults, warnings = check_together(raw, folder)
    try:
        site = Site.model_validate(resolve_curves(raw, folder))
    except ValidationError as error:
        return None, faults_of(error, raw, _TABLES) + faults, warnings
    site._folder = folder
    return site, faults, warnings
