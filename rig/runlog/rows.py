# SPDX-License-Identifier: MIT
"""What the run log returns: a row of a list, and a stored run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from rig.core.clock import ClockChange
from rig.core.records import End, Record, decode_lines
from rig.runlog.header import PURPOSES, RunHeader


@dataclass(frozen=True)
class RunRow:
    """One run in a list. `strokes`, `verdict` and the figures come from its latest result and are
    None before there is one; `response_n` and `release_n` are the strokes behind a mean.
    `clock_synchronised` None: the kernel did not say. `purpose`: one of header.PURPOSES."""

    id: int
    started_utc_s: float
    clock_synchronised: bool | None
    source: str
    status: str
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    kind: str | None
    strokes: int | None
    verdict: str | None
    response_mean_ms: float | None
    response_n: int | None
    response_max_ms: float | None
    release_mean_ms: float | None
    release_n: int | None
    missed: int | None
    oil_temperature_degc: float | None
    purpose: str
    sheet: str | None = None

    @property
    def of_a_valve(self) -> bool:
        """Whether its purpose was to judge a valve."""
        return self.purpose == PURPOSES[0]

    @property
    def started(self) -> datetime:
        """Wall time of the start, UTC; 1970 if damage left an impossible date."""
        try:
            return datetime.fromtimestamp(self.started_utc_s, UTC)
        except (ValueError, OverflowError, OSError):
            return datetime.fromtimestamp(0, UTC)


@dataclass(frozen=True)
class StoredRun:
    """A run as stored. `end` is None if the run was cut short or is still in progress.

    `chunks()` yields the raw records in order, newline-terminated text of one commit each; each
    chunk is checked against its checksum when read (StorageError). `remark` is what the recorder
    added, `raw_file` the name of the raw file, `database` the engine that wrote the log. `clock`
    says what happened to the clocks during the run, None if unknown. `verdict` is that of its
    latest result, None before there is one.
    """

    id: int
    header: RunHeader
    status: str
    end: End | None
    end_utc_s: float | None
    n_records: int
    raw_file: str | None
    remark: str
    database: str
    clock: ClockChange | None
    verdict: str | None
    _chunks: Callable[[], Iterator[bytes]] = field(repr=False)

    def chunks(self) -> Iterator[bytes]:
        return self._chunks()

    def records(self) -> Iterator[Record]:
        """All records in order."""
        for text in self.chunks():
            yield from decode_lines(text)


def result_figures(result: Mapping[str, Any]) -> dict[str, str | float | None]:
    """The figures of a result shown in a list of runs (columns of the table `results`)."""
    strokes, verdict = result.get("strokes"), result.get("verdict")
    response, release = (
        (result.get("summary") or {}).get(name) or {} for name in ("response_ms", "release_ms")
    )
    return {
        "strokes": len(strokes) if isinstance(strokes, list) else None,
        "verdict": verdict.get("result") if isinstance(verdict, dict) else None,
        "response_mean_ms": response.get("mean"),
        "response_n": response.get("n"),
        "response_max_ms": response.get("max"),
        "release_mean_ms": release.get("mean"),
        "release_n": release.get("n"),
        "missed": (result.get("counts") or {}).get("missed"),
    }
