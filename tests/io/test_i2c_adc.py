"""Converters on an I²C bus. The bus is a fake that behaves as the data sheet says; Debian has no simulated one."""

from __future__ import annotations

import errno
import os
from typing import Any

import pytest

from agent.bus_checks import RANGES_V as KNOWN_TO_THE_SITE
from agent.io.i2c_adc import I2cAdcDriver
from agent.site_buses import I2cAdcBus
from agent.wire.delta_sigma import RANGES_V, start_word, volts
from agent.wire.outcomes import Fault
from tests.io.buses import listening
from tests.io.lines import wait_for

FULL_SCALE_V = {0: 6.144, 1: 4.096, 2: 2.048, 3: 1.024, 4: 0.512, 5: 0.256, 6: 0.256, 7: 0.256}
PAIRS = {0: (0, 1), 1: (0, 3), 2: (1, 3), 3: (2, 3), 4: (0, None), 5: (1, None), 6: (2, None), 7: (3, None)}


class FakeChip:
    """Four inputs, a pointer register, a configuration whose top bit is 0 while it converts, a conversion."""

    def __init__(self) -> None:
        self.volts = [0.0, 0.0, 0.0, 0.0]
        self.looks_until_done = 2
        self.is_reset_each_time = False
        self._config, self._conversion, self._looks = 0x8583, 0, 0

    def write(self, register: int, data: list[int]) -> None:
        assert register == 1 and len(data) == 2
        self._config = data[0] << 8 | data[1]
        assert self._config >> 8 & 1, "single conversions only"
        if self._config & 0x8000:
            self._config &= 0x7FFF
            self._looks = self.looks_until_done
            plus, minus = PAIRS[self._config >> 12 & 7]
            difference = self.volts[plus] - (0.0 if minus is None else self.volts[minus])
            counts = round(difference / FULL_SCALE_V[self._config >> 9 & 7] * 32768)
            self._conversion = max(-32768, min(32767, counts)) & 0xFFFF

    def read(self, register: int) -> list[int]:
        if register == 1 and not self._config & 0x8000:
            self._looks -= 1
            if self._looks <= 0:
                self._config |= 0x8000
                self._config = 0x8583 if self.is_reset_each_time else self._config
        value = self._config if register == 1 else self._conversion
        return [value >> 8, value & 0xFF]


class FakeBus:
    """Chips by address; an address without one is not acknowledged, as the kernel reports it."""

    def __init__(self, **chips: FakeChip) -> None:
        self.chips = {int(name.removeprefix("at_"), 16): chip for name, chip in chips.items()}
        self.gone: int | None = None
        self.opened = 0

    def make(self, path: str) -> FakeBus:
        if self.gone is not None:
            raise OSError(self.gone, os.strerror(self.gone))
        self.opened += 1
        return self

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: list[int]) -> None:
        self._chip(i2c_addr).write(register, data)

    def read_i2c_block_data(self, i2c_addr: int, register: int, length: int) -> list[int]:
        assert length == 2
        return self._chip(i2c_addr).read(register)

    def close(self) -> None:
        """Nothing is held."""

    def _chip(self, address: int) -> FakeChip:
        if self.gone is not None:
            raise OSError(self.gone, os.strerror(self.gone))
        if address not in self.chips:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        return self.chips[address]


def adc_bus(*sensors: dict[str, Any]) -> I2cAdcBus:
    default = {"sump": "mill-1", "signal": "level"}
    table = {"id": "adc", "driver": "i2c_adc", "period_s": 0.02, "timeout_s": 0.5}
    return I2cAdcBus(**{**table, "sensor": [{**default, **s} for s in sensors or ({},)]})


def test_a_loop_current_through_a_shunt_becomes_a_level() -> None:
    chip = FakeChip()
    chip.volts = [1.8, 0.9, 0.3, 0.0]  # 12 mA through 150 ohm
    loop = {"shunt_ohm": 150.0, "loop": {"at_4_ma": 0.0, "at_20_ma": 600.0}}
    volt = {"input": "1", "range_v": 2.048, "signal": "brix"}
    across = {"input": "2-3", "range_v": 0.512, "signal": "temperature", "scale": 100.0}
    bus = adc_bus(loop, volt, across)
    fake = FakeBus(at_48=chip)
    with listening(bus, I2cAdcDriver(bus, fake.make)) as heard:
        wait_for(lambda: len(heard.readings) >= 3, "all three")
        assert heard.values("level")[0] == pytest.approx(300.0, abs=0.1)
        assert heard.values("brix")[0] == pytest.approx(0.9, abs=1e-4)
        assert heard.values("temperature")[0] == pytest.approx(30.0, abs=2e-3)
        for ohm_volts, words in ((0.5, "wire broken"), (3.2, "shorted"), (3.1, "upper end"), (0.56, "lower end")):
            chip.volts[0] = ohm_volts
            wait_for(lambda told=words: told in heard.text, words)
        count = len(heard.values("level"))
        chip.volts[0] = 0.6
        wait_for(lambda: len(heard.values("level")) > count, "4 mA")
        assert heard.values("level")[-1] == pytest.approx(0.0, abs=0.1)


def test_the_end_of_the_converters_range_is_no_measurement() -> None:
    chip = FakeChip()
    chip.volts = [5.0, 0.0, 0.0, 5.0]
    bus = adc_bus({}, {"input": "0-3", "range_v": 0.256, "signal": "brix"})
    with listening(bus, I2cAdcDriver(bus, FakeBus(at_48=chip).make)) as heard:
        wait_for(lambda: heard.values("brix"), "the pair without a difference")
        wait_for(lambda: "end of its 4.096 V range" in heard.text, "the end to be told")
        assert heard.values("level") == []


def test_a_chip_that_is_not_there_or_hangs_or_was_reset_takes_nobody_with_it() -> None:
    hangs, is_reset = FakeChip(), FakeChip()
    hangs.looks_until_done, is_reset.is_reset_each_time = 10**9, True
    bus = adc_bus(
        {"address": 0x4B},
        {"address": 0x49, "signal": "brix"},
        {"address": 0x4A, "signal": "temperature"},
        {"sump": "mill-2"},
    )
    fake = FakeBus(at_48=FakeChip(), at_49=hangs, at_4a=is_reset)
    with listening(bus, I2cAdcDriver(bus, fake.make)) as heard:
        wait_for(lambda: len(heard.values(sump="mill-2")) >= 2, "the good one")
        for words in ("no answer from address 0x4b", "did not end in time", "has other settings"):
            assert words in heard.text
        assert {reading.sump for reading in heard.readings} == {"mill-2"}
        assert heard.bus.health.openings == 1


def test_a_bus_that_goes_is_opened_again() -> None:
    bus, fake = adc_bus(), FakeBus(at_48=FakeChip())
    with listening(bus, I2cAdcDriver(bus, fake.make)) as heard:
        wait_for(lambda: heard.readings, "a reading")
        fake.gone = errno.ENODEV
        wait_for(lambda: not heard.bus.health.port_open, "the loss to be noticed")
        wait_for(lambda: "/dev/i2c-1: No such device" in heard.text, "the bus to be named")
        fake.gone = None
        wait_for(lambda: fake.opened == 2 and heard.bus.status()["ok"], "readings again")


def test_words_are_the_data_sheets() -> None:
    assert start_word("0-1", 2.048, 128) == 0x8583  # the value after reset, with a conversion begun
    assert start_word("3", 4.096, 860) == 0xF3E3
    assert (volts(0x4000, 4.096), volts(0xC000, 4.096), volts(0, 4.096)) == (2.048, -2.048, 0.0)
    assert isinstance(volts(0x7FFF, 4.096), Fault) and isinstance(volts(0x8000, 4.096), Fault)
    assert isinstance(volts(65_536, 4.096), Fault)
    assert set(KNOWN_TO_THE_SITE) == set(RANGES_V)
