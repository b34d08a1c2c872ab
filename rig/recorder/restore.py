# SPDX-License-Identifier: MIT
"""A run back into the log from its raw file: a lost log, or the last records before a crash."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from rig.core.errors import RefusedError
from rig.core.records import End, decode
from rig.recorder.raw_file import Damage, RawReader
from rig.runlog.store import RunLog

LINES_AT_ONCE = 5_000


@dataclass(frozen=True)
class Restored:
    """What a restore did: the run's number, records added to it, and damage of the raw file."""

    run_id: int
    added: int
    damage: Damage | None

    def __str__(self) -> str:
        done = f"Run {self.run_id}: {self.added} records restored."
        return f"{done} The raw file: {self.damage}." if self.damage else done


def restore(log: RunLog, raw_path: Path) -> Restored:
    """Enter the run of `raw_path` into `log`, or add the records that the log lacks.

    Doing it twice changes nothing. Raises RefusedError while the run is still being recorded, and
    StorageError where the raw file or the log cannot be used.
    """
    reader = RawReader(raw_path)
    log.mark_interrupted()
    run_id = log.uid_of(reader.header.uid)
    new, had, remark = run_id is None, 0, ""
    if run_id is not None:
        stored = log.load(run_id)
        if stored.status == "running":
            raise RefusedError(f"Run {run_id} is still being recorded; wait until it has ended.")
        had, remark = stored.n_records, stored.remark
    else:
        run_id = log.begin_run(reader.header, raw_path.name)
    lines = islice(reader.lines(), had, None)
    added, last = 0, b""
    while block := list(islice(lines, LINES_AT_ONCE)):
        log.append_chunk(run_id, len(block), b"\n".join(block) + b"\n")
        added, last = added + len(block), block[-1]
    if added or new:
        final = decode(last) if last else None
        end = final if isinstance(final, End) else None
        status = end.reason if end else "interrupted"
        remark = f"{remark} {added} records restored from the raw file.".strip()
        log.end_run(run_id, status, end, remark)
        log.drop_results(run_id)  # they were worked out from fewer records
    return Restored(run_id, added, reader.damage)
