# SPDX-License-Identifier: MIT
"""A dated measurement: when, by whom, and how long it is valid."""

from __future__ import annotations

import calendar
import datetime

from pydantic import Field

from rig.config.quantity_types import DateText
from rig.config.strict import Strict

IN_DATE, OUT_OF_DATE, DATE_NOT_KNOWN = "in date", "out of date", "date of the run not known"


def months_after(day: datetime.date, months: int) -> datetime.date:
    """The same day of a later month, or that month's last day."""
    year, month = divmod(day.month - 1 + months, 12)
    year, month = day.year + year, month + 1
    return datetime.date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


class Dated(Strict):
    """Day, last day, and who did it."""

    date: DateText = Field(examples=['"2026-11-02"'])
    due: DateText = Field(examples=['"2027-11-02"'])
    by: str = ""

    def state(self, on: datetime.date | None) -> str:
        """IN_DATE or OUT_OF_DATE on that day; DATE_NOT_KNOWN without one."""
        if on is None:
            return DATE_NOT_KNOWN
        first = datetime.date.fromisoformat(self.date)
        last = datetime.date.fromisoformat(self.due)
        # a clock set before the day of measurement cannot show that it is in date
        return IN_DATE if first <= on <= last else OUT_OF_DATE
