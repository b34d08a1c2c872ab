# SPDX-License-Identifier: MIT
"""Restore a run into the log from its raw file: after a lost log, or the last records before a
crash."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.core.clock import WallTime
from rig.core.errors import RefusedError
from rig.core.records import Edge, End, Record, decode
from rig.recorder.raw_file import Damage, RawReader
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog


@dataclass(frozen=True)
class Restored:
    """Result of a restore: the run's number, records added to it, damage of the raw file, and
    whether that damage left records missing from the run."""

    run_id: int
    added: int
    damage: Damage | None
    short: bool

    def __str__(self) -> str:
        done = f"Run {self.run_id}: {self.added} records restored."
        return f"{done} The raw file: {self.damage}." if self.damage else done


def run_of(log: RunLog, reader: RawReader) -> int | None:
    """The run in `log` to which a raw file belongs; None if the log has none."""
    found = None if reader.header is None else log.uid_of(reader.header.uid)
    return log.run_of_raw(reader.path.name) if found is None else found


def restore(log: RunLog, raw_path: Path) -> Restored:
    """Enter the run of `raw_path` into `log`, or add the records that the log lacks.

    A second restore changes nothing. Raises RefusedError while the run is still being recorded, and
    StorageError if the raw file or the log cannot be used.
    """
    reader = RawReader(raw_path)
    log.mark_interrupted()
    found = list(reader.lines())
    run_id = run_of(log, reader)
    new, remark = run_id is None, ""
    kept: list[bytes] = []
    holes = False
    if run_id is None:
        header = reader.header or unknown_header(raw_path, found)
        if reader.header_doubtful:
            header = named_anew(header)
        run_id = log.begin_run(header, raw_path.name)
        if reader.header is None or reader.header_doubtful:
            remark = (
                "The first line of the raw file is damaged: what the run was is not known."
                if reader.header is None
                else "The first line of the raw file does not fit its checksum: source, setup and "
                "sheet may have been altered."
            )
    else:
        stored = log.load(run_id)
        if stored.status == "running":
            raise RefusedError(
                f"Run {run_id} is still being recorded; wait until it has ended.",
                id_="refusal.still-recording",
            )
        remark = stored.remark
        kept, holes = log.good_lines(run_id)
    lines = merged(kept, found)
    added = len(lines) - len(kept)
    damage = reader.damage
    short = damage is not None and not damage.cut and len(lines) < reader.count
    short = short or (new and (reader.header is None or reader.header_doubtful))
    if added or holes or new:
        log.replace_records(run_id, lines)
        close(log, run_id, lines, f"{remark} {added} records restored from the raw file.", short)
    return Restored(run_id, added, damage, short)


def close(log: RunLog, run_id: int, lines: Sequence[bytes], remark: str, short: bool) -> None:
    """Close a run by its own last record. `short`: some of its records are known to be missing, so
    it becomes a fault and gets no verdict based on the rest."""
    final = decode(lines[-1]) if lines else None
    end = final if isinstance(final, End) else None
    status = end.reason if end else "interrupted"
    if short:
        status, remark = "fault", f"{remark} Others are damaged and missing."
    log.end_run(run_id, status, end, remark.strip())
    log.drop_results(run_id)  # they were computed from other records


def merged(kept: Sequence[bytes], found: Sequence[bytes]) -> list[bytes]:
    """Merge two parts of one run's records, each in order: every record once, in order."""
    if not kept or not found:
        return [*kept, *found]
    left_kept, left_found = Counter(kept), Counter(found)
    lines: list[bytes] = []
    i = j = 0
    while i < len(kept) and j < len(found):
        a, b = kept[i], found[j]
        from_kept = not left_found[a] and (left_kept[b] > 0 or _t_ns(a) <= _t_ns(b))
        if a == b or from_kept:
            lines.append(a)
            left_kept[a] -= 1
            i += 1
        else:
            lines.append(b)
        if not from_kept:
            left_found[b] -= 1
            j += 1
    return [*lines, *kept[i:], *found[j:]]


def _t_ns(line: bytes) -> int:
    return decode(line).t_ns


def named_anew(header: RunHeader) -> RunHeader:
    """`header` with hashes recomputed from its texts, which damage may have altered."""
    from rig.config.files.loading import text_hash

    sheet = header.sheet_text
    return replace(
        header,
        setup_hash=text_hash(header.setup_text),
        sheet_hash=None if sheet is None else text_hash(sheet),
    )


def unknown_header(raw_path: Path, lines: Sequence[bytes]) -> RunHeader:
    """A header for a run whose own cannot be read.

    Only edges stamped by a kernel show that real hardware was there; without one the run is entered
    as simulated, so that nothing passes for a measurement that may not be one.
    """
    real = any(isinstance(r, Edge) and r.source == "kernel" for r in _records(lines))
    name = hashlib.sha256(raw_path.name.encode()).hexdigest()
    header = RunHeader(
        source="capture" if real else "simulated",
        setup_text="",
        setup_hash="",
        setup_name="(not known)",
        software="(not known)",
        wall=WallTime(_started_utc_s(raw_path), 0, "(not known)", None),
        note="What this run was is not known: the first line of its raw file is damaged.",
        uid=name[:32],
    )
    return named_anew(header)


def _records(lines: Sequence[bytes]) -> list[Record]:
    return [decode(line) for line in lines if line.startswith(b'["E"')]


def _started_utc_s(path: Path) -> float:
    """The start time of a raw file's run, from its name (raw_file_name); else the file's own
    time."""
    import calendar

    try:
        return float(calendar.timegm(time.strptime(path.name[:16], "%Y%m%dT%H%M%SZ")))
    except ValueError:
        return path.stat().st_mtime if path.exists() else 0.0
