# SPDX-License-Identifier: MIT
"""The gauge's reading at a calibration point: the mean of what it shows for a little while."""

from __future__ import annotations

import time

from rig.config.setup import Setup
from rig.core.errors import HardwareError
from rig.core.records import GOOD, Sample

TAKEN_S = 2.0
FEWEST = 3
LONGEST_S = 20.0


class Reader:
    """Reads the gauge of a setup, as `rig gauge` does."""

    def __init__(self, setup: Setup) -> None:
        from rig.cli.gauge import _source

        self._source, where = _source(setup, tap=False)
        self.where = where

    def mean_kpa(self) -> float:
        """Mean of the good readings of the next 2 s, three at least. Raises HardwareError where
        the gauge gives none."""
        self._source.read(0.0)  # what came while the person typed is of another pressure
        begin = time.monotonic()
        values: list[float] = []
        while True:
            for item in self._source.read(0.05):
                good = isinstance(item, Sample) and item.channel == "pressure"
                if good and item.quality == GOOD and item.value is not None:  # type: ignore[union-attr]
                    values.append(item.value)  # type: ignore[union-attr]
            passed = time.monotonic() - begin
            if passed >= TAKEN_S and len(values) >= FEWEST:
                return sum(values) / len(values)
            if passed >= LONGEST_S:
                raise HardwareError(
                    f"The gauge ({self.where}) gave {len(values)} good readings in "
                    f"{LONGEST_S:.0f} s. Look at it with `rig gauge SETUP`."
                )

    def close(self) -> None:
        self._source.close()
