# SPDX-License-Identifier: MIT
"""`[timing]`: what the rig itself adds to a time, measured with a resistor in the coil's place and
the load side led into the switch input, so that the true time from coil to switch is 0.

It stands in the setup and so goes with every run. Only analysis applies it.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from rig.config.dated import Dated
from rig.config.quantity_types import TimeRangeS, TimeS

ASSUMED = "assumed, not measured"
"""What is said of a constant that stands for what `[timing]` would have measured."""


class TimingSetup(Dated):
    """`[timing]`. Times are those of coil live (response) and coil dead (release)."""

    timed_from: Literal["read-back", "command"]
    """What the rig timed from: the read-back where one is wired."""
    response_n: int = Field(ge=2)
    """Strokes that `response_mean` is of."""
    response_mean_s: TimeS = Field(alias="response_mean")
    response_sd_s: TimeS = Field(alias="response_sd", ge=0)
    release_n: int = Field(ge=2)
    release_mean_s: TimeS = Field(alias="release_mean")
    release_sd_s: TimeS = Field(alias="release_sd", ge=0)
    operate_delay_s: TimeRangeS = Field(alias="operate_delay", examples=['["5.4 ms", "6.6 ms"]'])
    """Least and most from command to coil live."""
    release_delay_s: TimeRangeS = Field(alias="release_delay", examples=['["3.1 ms", "4.0 ms"]'])

    @property
    def overdue(self) -> str:
        """What is to be said where it is out of date."""
        return (
            f"The rig's own timing is OUT OF DATE: measured on {self.date}, due on {self.due}. "
            "Times are still corrected by it, and the assumed bounds count as well. Measure it "
            "again: `rig calibrate SETUP --timing`."
        )
