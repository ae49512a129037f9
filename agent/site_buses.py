"""[[bus]] and [[bus.sensor]] of the site file, a model a driver. What keys must obey together: see `bus_checks`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from agent.site_faults import SLUG

SILENT_PERIODS = 3  # after so many periods without a reading a sensor is not well
Slug = Annotated[str, Field(pattern=SLUG, max_length=64)]
Text = Annotated[str, Field(min_length=1)]
Seconds = Annotated[float, Field(gt=0.0, le=86_400.0)]
Positive = Annotated[float, Field(gt=0.0)]
NetworkPort = Annotated[int, Field(ge=1, le=65_535)]
Input = Literal["0", "1", "2", "3", "0-1", "0-3", "1-3", "2-3"]


class Table(BaseModel):
    """A table of the site file: no unknown keys, no number for a text, no infinity."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Loop(Table):
    """A 4-20 mA loop: the raw value that 4 mA and 20 mA stand for (applied after scale, which gives mA)."""

    at_4_ma: float
    at_20_ma: float


class Meter(Table):
    """How signal `metered` is measured, after scale and loop: a total that counts up, in L, or a flow, in L/min."""

    kind: Literal["counter", "flow"] = "counter"
    wraps_at: Positive | None = None  # counts before scale, at which a counter goes on from 0; known of whole registers
    most_l_per_min: Positive = 100.0  # a counter that runs faster has been set back or replaced
    least_l_per_min: Annotated[float, Field(ge=0.0)] = 0.0  # flow below this is the sensor's zero


class Sensor(Table):
    """[[bus.sensor]]: which sump's signal it gives; value = number on the wire × scale + offset."""

    sump: Text
    signal: Literal["level", "temperature", "brix", "running", "metered"]
    serial_number: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    loop: Loop | None = None
    meter: Meter = Meter()

    @property
    def wraps_at(self) -> float | None:
        """Counts at which a counter begins anew, where that is known."""
        return self.meter.wraps_at


class ModbusSensor(Sensor):
    """A register of a Modbus unit; `register` counts from 0, as on the wire."""

    unit: Annotated[int, Field(ge=1, le=247)]
    function: Literal["input", "holding", "discrete", "coil"] = "input"
    address: Annotated[int, Field(ge=0, le=65_535, alias="register")]  # pydantic keeps `register` for itself
    type: Literal["uint16", "int16", "uint32", "int32", "float32"] = "uint16"
    word_order: Literal["big", "little"] = "big"

    @property
    def wraps_at(self) -> float | None:
        """A counter register runs over where its bits end."""
        return self.meter.wraps_at or {"uint16": 2.0**16, "uint32": 2.0**32}.get(self.type)


class ModbusTcpSensor(ModbusSensor):
    """The same behind a network; a device that stands for itself has unit 0, 1 or 255."""

    unit: Annotated[int, Field(ge=0, le=255)] = 1


class AsciiSensor(Sensor):
    """A line of text; `pattern` finds the number as its group `value`; `poll` is sent to ask, if anything is.

    A group `unit` is looked up in `units`, which says by what its numbers are multiplied; a group `check` holds the
    line's checksum as two hexadecimal digits.
    """

    pattern: Text
    start: str = ""
    terminator: Text = "\r\n"
    poll: str = ""
    units: dict[str, float] = {}
    checksum: Literal["none", "xor", "sum"] = "none"


class MqttSensor(Sensor):
    """A topic; `pointer` (RFC 6901) finds the value in a JSON message, "" is the whole message."""

    topic: Text
    pointer: str = ""
    time_pointer: str | None = None  # to the message's own time: epoch seconds, or RFC 3339 with offset
    stale_s: Seconds = 60.0  # older than this is no news; silence of this length is told
    retained: bool = False  # take what the broker has kept, although its age cannot be known


class I2cSensor(Sensor):
    """An input of a converter; the value is volts, or with `shunt_ohm` the current through it in mA."""

    address: Annotated[int, Field(ge=0x08, le=0x77)] = 0x48
    input: Input = "0"  # one alone against ground, or two against each other
    range_v: float = 4.096
    rate_sps: Literal[8, 16, 32, 64, 128, 250, 475, 860] = 16  # slow: averages the mains' hum out
    shunt_ohm: Positive | None = None


class GpioSensor(Sensor):
    """A contact between a pin (Broadcom number) and ground or 3.3 V: `running` its state, `metered` its pulses."""

    pin: Annotated[int, Field(ge=0, le=53)]
    pull: Literal["up", "down", "none"] = "up"
    active: Literal["low", "high"] = "low"
    debounce_ms: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0


class _Bus(Table):
    id: Slug
    period_s: Seconds = 1.0
    timeout_s: Seconds = 0.5  # outer deadline of one transaction
    simulated: bool = False

    def patience_s(self, sensor: Sensor) -> float:
        """How long a sensor may be silent before that is told, s."""
        return SILENT_PERIODS * self.period_s + self.timeout_s


class SerialBus(_Bus):
    """What every serial port has."""

    port: Text
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    bytesize: Literal[5, 6, 7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1


class ModbusRtuBus(SerialBus):
    """[[bus]] with driver = "modbus_rtu"."""

    driver: Literal["modbus_rtu"]
    sensor: list[ModbusSensor] = []


class AsciiLineBus(SerialBus):
    """[[bus]] with driver = "ascii_line"."""

    driver: Literal["ascii_line"]
    sensor: list[AsciiSensor] = []


class ModbusTcpBus(_Bus):
    """[[bus]] with driver = "modbus_tcp"."""

    driver: Literal["modbus_tcp"]
    host: Text
    port: NetworkPort = 502
    sensor: list[ModbusTcpSensor] = []


class MqttBus(_Bus):
    """[[bus]] with driver = "mqtt": sensors that others publish. At most a reading a period is kept."""

    driver: Literal["mqtt"]
    host: Text
    port: NetworkPort = 1883
    user: str | None = None
    password_file: str | None = None
    ca_file: str | None = None
    tls: bool = False
    keepalive_s: Annotated[int, Field(ge=5, le=65_535)] = 15
    sensor: list[MqttSensor] = []

    def patience_s(self, sensor: Sensor) -> float:
        """As the sensor says: others publish as often as they like."""
        return sensor.stale_s if isinstance(sensor, MqttSensor) else super().patience_s(sensor)


class I2cAdcBus(_Bus):
    """[[bus]] with driver = "i2c_adc": 16-bit converters with a configuration and a conversion register."""

    driver: Literal["i2c_adc"]
    port: Text = "/dev/i2c-1"
    sensor: list[I2cSensor] = []


class GpioBus(_Bus):
    """[[bus]] with driver = "gpio": the Pi's own pins."""

    driver: Literal["gpio"]
    sensor: list[GpioSensor] = []


AnyBus = ModbusRtuBus | AsciiLineBus | ModbusTcpBus | MqttBus | I2cAdcBus | GpioBus
Bus = Annotated[AnyBus, Field(discriminator="driver")]
BUSES: dict[str, type[Table]] = {
    "modbus_rtu": ModbusRtuBus,
    "modbus_tcp": ModbusTcpBus,
    "ascii_line": AsciiLineBus,
    "mqtt": MqttBus,
    "i2c_adc": I2cAdcBus,
    "gpio": GpioBus,
}
SENSORS: dict[str, type[Sensor]] = {
    "modbus_rtu": ModbusSensor,
    "modbus_tcp": ModbusTcpSensor,
    "ascii_line": AsciiSensor,
    "mqtt": MqttSensor,
    "i2c_adc": I2cSensor,
    "gpio": GpioSensor,
}
