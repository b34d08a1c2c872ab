# SPDX-License-Identifier: MIT
"""The bench's use of the coil heat file: read and marked open before the line is claimed, written
once after the coil is released. Between those, nothing here uses a disk."""

from __future__ import annotations

import contextlib
import math
from pathlib import Path

from rig.bench.carried_heat import carried
from rig.bench.interlock.interlock import Interlock
from rig.config.setup.model import Setup
from rig.core import coil_heat
from rig.core.errors import StorageError
from rig.core.records import OFF_STATES, End, Trip

NS = 1_000_000_000


class CoilKeeping:
    """`carried` is the coil's heat at the start, after `waited_s` more (virtual time only).

    The caller holds the rig's lock, so an open file belongs to a bench whose end nobody saw.
    """

    def __init__(self, state: Path, setup: Setup, waited_s: float = 0.0) -> None:
        self._state, self._setup = state, setup
        self._past = coil_heat.past(state)
        self.carried = carried(setup, self._past, waited_s)
        self._interlock: Interlock | None = None
        self._off = True
        self.trip: Trip | None = None
        """The trip, if the run ended with one."""

    def begin(self) -> None:
        """Mark the file open. Raises StorageError."""
        try:
            coil_heat.mark_open(self._state, watched=self._setup.coil_heating is not None)
        except OSError as error:
            raise StorageError(
                f"The coil's heat cannot be kept in {coil_heat.heat_path(self._state)} ({error}). "
                "Nothing was energised. Make room on that disk, or make the folder writable."
            ) from error

    def put_back(self) -> None:
        """Restore the file: nothing was energised and no line claimed."""
        coil_heat.put_back(self._state, self._past)

    def watch(self, interlock: Interlock) -> None:
        """Keep the state of this interlock's trackers."""
        self._interlock = interlock

    def ended(self, end: End) -> None:
        """Note the end. A coil not known to be off keeps heating: then the file stays open."""
        self._off = end.off != OFF_STATES[2]
        if self._interlock is not None:
            self.trip = self._interlock.trip

    def keep(self) -> None:
        """Write the trackers' current values. If the disk fails, the file stays open."""
        if self._interlock is None or not self._off:
            return
        coil = self._interlock.coil_now()
        warm = coil.temperature_degc
        with contextlib.suppress(OSError):
            coil_heat.keep(
                self._state,
                warm if math.isfinite(warm) else None,
                coil.spans,
                round(self._setup.limits.duty_window_s * NS),
                self.carried.assumed,
            )
