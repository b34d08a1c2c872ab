# SPDX-License-Identifier: MIT
"""The gauge's reading at a calibration point: the mean over a short time, and how far it swung
meanwhile."""

from __future__ import annotations

import statistics
import time
from typing import NamedTuple

from rig.config.setup.model import Setup
from rig.core.errors import HardwareError
from rig.core.records import GOOD, Sample

TAKEN_S = 2.0
FEWEST = 3
LONGEST_S = 20.0


class Taken(NamedTuple):
    """`n` readings: their mean, and the lowest and highest, in kPa."""

    mean_kpa: float
    low_kpa: float
    high_kpa: float
    n: int

    @property
    def swing_kpa(self) -> float:
        return self.high_kpa - self.low_kpa


class Reader:
    """Read a setup's gauge, as `rig gauge` does."""

    def __init__(self, setup: Setup) -> None:
        from rig.cli.calibration.gauge import _source

        self._source, where = _source(setup, tap=False)
        self.where = where

    def take(self) -> Taken:
        """The good readings of the next 2 s, three at least. Raises HardwareError if the gauge
        gives none."""
        self._source.read(0.0)  # readings from while the person typed belong to another pressure
        begin = time.monotonic()
        values: list[float] = []
        while True:
            for item in self._source.read(0.05):
                good = isinstance(item, Sample) and item.channel == "pressure"
                if good and item.quality == GOOD and item.value is not None:  # type: ignore[union-attr]
                    values.append(item.value)  # type: ignore[union-attr]
            passed = time.monotonic() - begin
            if passed >= TAKEN_S and len(values) >= FEWEST:
                return Taken(statistics.fmean(values), min(values), max(values), len(values))
            if passed >= LONGEST_S:
                raise HardwareError(
                    f"The gauge ({self.where}) gave {len(values)} good readings in "
                    f"{LONGEST_S:.0f} s. Look at it with `rig gauge SETUP`."
                )

    def close(self) -> None:
        self._source.close()
