# SPDX-License-Identifier: MIT
"""The only place that chooses board or simulated, and real or virtual time.

`python -m rig.compose OPERATOR_FD RECORDS_FD` is the bench process.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from rig.core.errors import UsageError
from rig.core.ports import Hardware
from rig.core.records import End, Trip

if TYPE_CHECKING:
    from rig.bench.bench import Bench
    from rig.bench.carried_heat import Carried
    from rig.config.setup.model import Setup
    from rig.config.sheet.model import Sheet
    from rig.core.preflight import Preflight
    from rig.recorder.recorder import Recorder


def open_hardware(setup: Setup, seed: int | None) -> Hardware:
    """Open the rig of `setup` in real time. Raises HardwareError; nothing is energised."""
    if setup.backend == "board":
        from rig.io.board import open_board

        return open_board(setup)
    from rig.simulated.rig import open_simulated

    return open_simulated(setup, fast=False, seed=seed, start_ns=time.monotonic_ns())


class FastRun:
    """A run in virtual time: bench, simulated rig and recorder in this one process and thread.

    The same bench, interlock, framing, decoder, recorder and log as in real time. Deterministic for
    a given seed. Refused for a board. `carried` is the coil's heat from earlier runs.
    """

    def __init__(
        self, setup: Setup, sheet: Sheet, seed: int | None, carried: Carried | None = None
    ) -> None:
        if setup.backend != "simulated":
            raise UsageError(
                "--fast runs in virtual time and works only with a simulated rig; this setup says "
                'backend = "board".'
            )
        from rig.bench.bench import Bench
        from rig.simulated.rig import open_simulated

        self._sheet = sheet
        self.hardware: Hardware = open_simulated(setup, fast=True, seed=seed, start_ns=0)
        self.bench: Bench = Bench(setup, self.hardware, carried=carried)

    def preflight(self) -> Preflight:
        return self.bench.preflight(self._sheet.base_pressure_min_kpa, self._sheet)

    def run(self, recorder: Recorder, turn: Callable[[str], None]) -> tuple[End, Trip | None]:
        """Arm, start, and run the sheet. `turn` gets every record's line as it is recorded."""
        self.bench.arm()
        end = self.bench.run(self._sheet, _Tee(recorder, turn))
        return end, self.bench.interlock.trip

    def close(self) -> None:
        self.hardware.close()


class _Tee:
    """A RecordSink that stores each record and shows it."""

    def __init__(self, recorder: Recorder, turn: Callable[[str], None]) -> None:
        self._recorder, self._turn = recorder, turn

    def put(self, line: str) -> None:
        self._recorder.put(line)
        self._turn(line)

    @property
    def lag_s(self) -> float:
        return self._recorder.lag_s

    @property
    def overflowed(self) -> bool:
        return self._recorder.overflowed

    @property
    def reader_gone(self) -> bool:
        return False


def main() -> int:
    """Run the bench process."""
    from rig.bench import process

    return process.main(open_hardware, int(sys.argv[1]), int(sys.argv[2]))


if __name__ == "__main__":
    sys.exit(main())
