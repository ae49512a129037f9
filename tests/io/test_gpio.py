"""Contacts on pins, through gpiozero's own stand-in for the pins: states are looked at, pulses are counted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from agent.io.gpio import GpioDriver
from agent.site_buses import GpioBus
from agent.wire import meter
from tests.io.buses import listening
from tests.io.lines import wait_for


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


def gpio_bus(*sensors: dict[str, Any]) -> GpioBus:
    table = {"id": "pins", "driver": "gpio", "period_s": 0.01}
    return GpioBus(**{**table, "sensor": [{"sump": "mill-1", "signal": "running", **s} for s in sensors]})


@pytest.mark.parametrize(
    ("pull", "active", "low_means"),
    [("up", "low", 1.0), ("up", "high", 0.0), ("down", "high", 0.0), ("down", "low", 1.0), ("none", "low", 1.0),
     ("none", "high", 0.0)],
)  # fmt: skip
def test_a_contact_is_running_as_it_is_wired(pins: MockFactory, pull: str, active: str, low_means: float) -> None:
    pin = pins.pin(17)
    with listening(gpio_bus({"pin": 17, "pull": pull, "active": active})) as heard:
        wait_for(lambda: heard.readings, "a reading")
        pin.drive_low()
        count = len(heard.readings)
        wait_for(lambda: len(heard.readings) > count + 1, "the pin low")
        assert heard.values("running")[-1] == low_means
        pin.drive_high()
        wait_for(lambda: heard.values("running")[-1] == 1.0 - low_means, "the pin high")


def test_pulses_are_litres_once_the_flow_has_paused(pins: MockFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter, "PAUSE_S", 0.3)
    pin = pins.pin(4)
    pin.drive_high()
    sensor = {"pin": 4, "signal": "metered", "scale": 0.5, "meter": {"most_l_per_min": 1e6}}
    bus = gpio_bus(sensor)
    driver = GpioDriver(bus)
    with listening(bus, driver) as heard:
        wait_for(lambda: heard.bus.health.readings >= 2, "the count's beginning")
        for _ in range(25):
            pin.drive_low()
            pin.drive_high()
        wait_for(lambda: heard.readings, "the pour to be told")
        assert heard.values("metered") == [12.5]
        for _ in range(2):
            pin.drive_low()
            pin.drive_high()
        counted = heard.bus.health.readings
        wait_for(lambda: heard.bus.health.readings >= counted + 2, "the count to be looked at")
        heard.bus.stop()
        assert heard.bus.join(3.0)
        assert heard.values("metered") == [12.5, 1.0]  # what was not told is told at the end


def test_a_pin_that_another_program_holds_is_told(pins: MockFactory) -> None:
    with listening(gpio_bus({"pin": 5})) as first:
        wait_for(lambda: first.readings, "the first to have it")
        with listening(gpio_bus({"pin": 5})) as second:
            wait_for(lambda: "pins: pin" in second.text, "the second to be refused")
