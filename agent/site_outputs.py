"""[alerts] and [sump.dosing] of the site file: what leaves the agent towards people's phones, and towards a valve."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from agent.site_faults import TIME_OF_DAY

TimeOfDay = Annotated[str, Field(pattern=TIME_OF_DAY)]
Litres = Annotated[float, Field(gt=0.0, le=1e4)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class AlertsOut(_Table):
    """[alerts]: to whom alerts are sent. Only those to act now upon are sent in the quiet hours (the site's zone)."""

    urls_file: Annotated[str, Field(min_length=1)]  # an apprise address a line; may hold passwords, so chmod 600
    severities: list[Literal["act now", "act soon", "know"]] = ["act now", "act soon"]
    quiet_from: TimeOfDay | None = None
    quiet_to: TimeOfDay | None = None


class _Dosing(_Table):
    rate_l_per_min: Annotated[float, Field(gt=0.0, le=100.0)]  # through the open valve, measured with a bucket
    pct: Annotated[float, Field(gt=0.0, lt=100.0)]  # of what comes out of it, % by volume of the mix
    max_dose_l: Litres
    max_hour_l: Litres
    max_day_l: Litres
    margin_l: Litres  # kept free below the sump's high mark


class CoilDosing(_Dosing):
    """[sump.dosing] with driver = "modbus_coil": a relay on a serial port of its own, which nothing else speaks on."""

    driver: Literal["modbus_coil"]
    port: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    parity: Literal["N", "E", "O"] = "N"
    stopbits: Literal[1, 2] = 1
    unit: Annotated[int, Field(ge=1, le=247)]
    coil: Annotated[int, Field(ge=0, le=65_535)]


class LineDosing(_Dosing):
    """[sump.dosing] with driver = "gpio": a relay on a pin of the Pi, by its BCM number."""

    driver: Literal["gpio"]
    line: Annotated[int, Field(ge=0, le=63)]
    active_high: bool = True


Dosing = Annotated[CoilDosing | LineDosing, Field(discriminator="driver")]
