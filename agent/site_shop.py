"""The site file's tables about the shop itself: when people are there, what concentrate costs and how long it takes."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, field_validator

from agent.shop import closed_days, worked_days


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class ShiftTable(_Table):
    """[[calendar.shift]]: days as "mon-fri" or "sat", times of the local day; one that ends before it begins runs
    past midnight."""

    days: str
    begin: Annotated[str, Field(alias="from")]
    end: Annotated[str, Field(alias="to")]

    @field_validator("days")
    @classmethod
    def _weekdays(cls, days: str) -> str:
        worked_days([(days, "00:00", "24:00")])
        return days

    @field_validator("begin", "end")
    @classmethod
    def _clock(cls, clock: str) -> str:
        other = "24:00" if clock != "24:00" else "00:00"
        worked_days([("mon", clock, other)])
        return clock

    def plain(self) -> tuple[str, str, str]:
        return self.days, self.begin, self.end


class CalendarTable(_Table):
    """[calendar]: the shifts of a week, and the days on which nobody works, as "2026-05-01" or
    "2026-12-24/2027-01-06". People add closed days on the pages."""

    shift: list[ShiftTable] = []
    closed: list[str] = []

    @field_validator("closed")
    @classmethod
    def _days(cls, closed: list[str]) -> list[str]:
        closed_days(closed)
        return closed


class StockTable(_Table):
    """[stock]: what a price is in, and how many days pass between an order of concentrate and its coming."""

    currency: Annotated[str, Field(max_length=8)] = ""
    lead_days: Annotated[int, Field(ge=0, le=365)] = 14
