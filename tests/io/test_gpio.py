"""Contacts on pins: states are looked at, pulses are counted. On the kernel's simulated chip too where it has one."""

from __future__ import annotations

from typing import Any

import pytest

from agent.io.gpio import GpioDriver
from agent.io.pins import NoPin, contact, header_of
from agent.site_buses import GpioBus
from agent.wire import meter
from tests.io.buses import listening
from tests.io.lines import wait_for
from tests.io.pins import LIST, Board, Simulated
from tests.io.pins import board as board

Pins = Board | Simulated


def gpio_bus(*sensors: dict[str, Any]) -> GpioBus:
    table = {"id": "pins", "driver": "gpio", "period_s": 0.01}
    return GpioBus(**{**table, "sensor": [{"sump": "mill-1", "signal": "running", **s} for s in sensors]})


@pytest.mark.parametrize("pull", ["up", "down", "none"])
@pytest.mark.parametrize("active", ["low", "high"])
def test_a_contact_is_running_as_it_is_wired(board: Pins, pull: str, active: str) -> None:
    low_means = 1.0 if active == "low" else 0.0
    with listening(gpio_bus({"pin": 17, "pull": pull, "active": active})) as heard:
        wait_for(lambda: heard.readings, "a reading")
        if pull != "none":  # nobody has touched it: it stands as the pull holds it
            assert heard.values("running")[0] == (low_means if pull == "down" else 1.0 - low_means)
        board.drive(17, False)
        count = len(heard.readings)
        wait_for(lambda: len(heard.readings) > count + 1, "the pin low")
        assert heard.values("running")[-1] == low_means
        board.drive(17, True)
        wait_for(lambda: heard.values("running")[-1] == 1.0 - low_means, "the pin high")


def test_pulses_are_litres_once_the_flow_has_paused(board: Pins, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter, "PAUSE_S", 0.3)
    sensor = {"pin": 4, "signal": "metered", "scale": 0.5, "meter": {"most_l_per_min": 1e6}}
    bus = gpio_bus(sensor)
    driver = GpioDriver(bus)
    with listening(bus, driver) as heard:
        wait_for(lambda: heard.bus.health.readings >= 2, "the count's beginning")
        pulse(board, 4, 25)
        wait_for(lambda: heard.readings, "the pour to be told")
        assert heard.values("metered") == [12.5]
        pulse(board, 4, 2)
        counted = heard.bus.health.readings
        wait_for(lambda: heard.bus.health.readings >= counted + 2, "the count to be looked at")
        heard.bus.stop()
        assert heard.bus.join(3.0)
        assert heard.values("metered") == [12.5, 1.0]  # what was not told is told at the end


def pulse(board: Pins, pin: int, times: int) -> None:
    """A contact to ground that closes and opens."""
    for _ in range(times):
        board.drive(pin, False)
        board.drive(pin, True)


def test_more_pulses_than_are_kept_are_all_counted(board: Pins) -> None:
    many = LIST * 5 if isinstance(board, Board) else 1500  # the kernel keeps 1024
    pin = contact(4, "up", active_low=True, debounce_s=0.0, count=True)
    assert pin.edges() == 0
    pulse(board, 4, many)
    assert pin.edges() == many
    pulse(board, 4, 3)
    assert pin.edges() == many + 3
    pin.release()


def test_pulses_outlast_a_port_that_is_opened_again(board: Pins) -> None:
    driver = GpioDriver(gpio_bus({"pin": 4, "signal": "metered"}))
    for count in (7.0, 12.0):
        with driver.open() as port:
            pulse(board, 4, 7 if count == 7.0 else 5)
            assert port[4]() == count
            assert port[4]() == count


def test_a_pin_that_another_program_holds_is_told(board: Pins) -> None:
    with listening(gpio_bus({"pin": 5})) as first:
        wait_for(lambda: first.readings, "the first to have it")
        with listening(gpio_bus({"pin": 5})) as second:
            wait_for(lambda: "pins: pin 5: " in second.text and "busy" in second.text, "the second to be refused")


def test_a_pin_that_the_chip_has_not_is_told(board: Pins) -> None:
    with pytest.raises(NoPin, match="pin 53: "):
        contact(53, "up", active_low=True, debounce_s=0.0, count=False)


PI_5 = {"/dev/gpiochip0": "pinctrl-rp1", "/dev/gpiochip10": "gpio-brcmstb@107d508500"}
PI_4 = {"/dev/gpiochip0": "pinctrl-bcm2711", "/dev/gpiochip1": "raspberrypi-exp-gpio"}
OLD_PI_5 = {"/dev/gpiochip0": "gpio-brcmstb@107d508500", "/dev/gpiochip4": "pinctrl-rp1"}


@pytest.mark.parametrize(
    ("labels", "path"),
    [(PI_5, "/dev/gpiochip0"), (PI_4, "/dev/gpiochip0"), (OLD_PI_5, "/dev/gpiochip4"), ({"/dev/x": "lab"}, "/dev/x")],
)
def test_the_chip_of_the_header_is_found_by_its_label(labels: dict[str, str], path: str) -> None:
    """As gpiodetect shows them; the number is the kernel's whim."""
    assert header_of(labels) == path


@pytest.mark.parametrize(
    ("labels", "said"), [({}, "has no pins"), ({"/dev/a": "one", "/dev/b": "two"}, r"/dev/a \(one\), /dev/b \(two\)")]
)
def test_where_no_chip_or_any_could_be_meant_it_is_said(labels: dict[str, str], said: str) -> None:
    with pytest.raises(OSError, match=said):
        header_of(labels)
