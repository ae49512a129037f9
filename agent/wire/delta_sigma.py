"""16-bit delta-sigma converters with a configuration and a conversion register: words to volts, both ways.

Register numbers, fields and codes after the data sheet SBAS444 (sections "Register Map" and "Data Format"); the
family's cousins share them. Outcomes: volts, or a `Fault`: a code at the end of its range is no measurement.
"""

from __future__ import annotations

from typing import Final

from agent.wire.outcomes import Fault

CONVERSION, CONFIG = 0, 1  # register numbers
RANGES_V: Final = {6.144: 0, 4.096: 1, 2.048: 2, 1.024: 3, 0.512: 4, 0.256: 5}
RATES_SPS: Final = {8: 0, 16: 1, 32: 2, 64: 3, 128: 4, 250: 5, 475: 6, 860: 7}
INPUTS: Final = {"0-1": 0, "0-3": 1, "1-3": 2, "2-3": 3, "0": 4, "1": 5, "2": 6, "3": 7}
_START: Final = 1 << 15  # written: begin one conversion; read: idle
_SINGLE: Final = 1 << 8  # one conversion, then sleep
_NO_ALARM: Final = 0b11  # the comparator's output stays off
_HIGHEST, _LOWEST = 0x7FFF, -0x8000


def start_word(channel: str, range_v: float, rate_sps: int) -> int:
    """The configuration that begins one conversion. Raises KeyError for what the converter does not have."""
    return (
        _START
        | INPUTS[channel] << 12
        | RANGES_V[range_v] << 9
        | _SINGLE
        | RATES_SPS[rate_sps] << 5
        | _NO_ALARM
    )  # fmt: skip


def is_done(config: int) -> bool:
    """Whether a configuration that was read back says that no conversion runs."""
    return bool(config & _START)


def same_settings(config: int, started: int) -> bool:
    """Whether the converter still holds what it was started with: else it was reset, or another program uses it."""
    return config | _START == started | _START


def volts(code: int, range_v: float) -> float | Fault:
    """Volts of a conversion register (0-65535, two's complement, full scale = 2^15)."""
    signed = code - (1 << 16) if code & 0x8000 else code
    if not 0 <= code < 1 << 16:
        return Fault(f"no 16-bit code: {code}")
    if signed in (_HIGHEST, _LOWEST):
        return Fault(f"the converter is at the end of its {range_v:g} V range, which is no measurement")
    return signed * range_v / (1 << 15)
