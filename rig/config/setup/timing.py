# SPDX-License-Identifier: MIT
"""`[timing]`: what the rig itself adds to a time, measured with a resistor in place of the coil and
the load side wired to the switch input, so that the true time from coil to switch is 0.

It is part of the setup and so is stored with every run. Only analysis applies it.
"""

from __future__ import annotations

import datetime
from typing import Literal, NamedTuple

from pydantic import Field

from rig.config.dated import OUT_OF_DATE, Dated
from rig.config.quantity_types import TimeRangeS, TimeS

ASSUMED = "assumed, not measured"
"""Note on a constant that stands in for what `[timing]` would have measured."""


class Standing(NamedTuple):
    """Whether it is valid: `state` as Dated.state, and if it is out of date `why`, a sentence."""

    state: str
    why: str


class TimingSetup(Dated):
    """`[timing]`. Times are those of coil live (response) and coil dead (release)."""

    timed_from: Literal["read-back", "command"]
    """Start of the timed interval: the read-back if one is wired."""
    source: Literal["board", "emulated board", "simulated"] | None = None
    """What was measured. This and the next two are missing if an earlier version wrote it: it is
    then out of date."""
    run: int | None = Field(default=None, ge=1)
    """Log number of the run in which it was measured."""
    wired: str = Field(default="", examples=['"relay 17, ..."'])
    """Setup.wired_for_timing at that time."""
    response_n: int = Field(ge=2)
    """Number of strokes averaged in `response_mean`."""
    response_mean_s: TimeS = Field(alias="response_mean")
    response_sd_s: TimeS = Field(alias="response_sd", ge=0)
    release_n: int = Field(ge=2)
    release_mean_s: TimeS = Field(alias="release_mean")
    release_sd_s: TimeS = Field(alias="release_sd", ge=0)
    operate_delay_s: TimeRangeS = Field(alias="operate_delay", examples=['["5.4 ms", "6.6 ms"]'])
    """Shortest and longest time from command to coil live."""
    release_delay_s: TimeRangeS = Field(alias="release_delay", examples=['["3.1 ms", "4.0 ms"]'])

    def standing(self, on: datetime.date | None, wired: str, source: str | None = None) -> Standing:
        """Whether it is valid on that day for a rig wired like this, and for a run of that
        source."""
        why = self._not_of_this_rig(wired, source)
        state = OUT_OF_DATE if why else self.state(on)
        if state != OUT_OF_DATE:
            return Standing(state, "")
        return Standing(
            state,
            f"The rig's own timing is OUT OF DATE: "
            f"{why or f'measured on {self.date}, due on {self.due}'}. "
            "Times are still corrected by it, and the assumed bounds count as well. Measure it "
            "again: `rig calibrate SETUP --timing`.",
        )

    def _not_of_this_rig(self, wired: str, source: str | None) -> str:
        if self.source is None or self.run is None or not self.wired:
            return "it does not say what was measured (source, run, wired)"
        if source is not None and source != self.source:
            return f"measured on {self.source}, and this is {source}"
        if wired != self.wired:
            return f"the wiring has changed; it was {self.wired}, and is {wired}"
        return ""
