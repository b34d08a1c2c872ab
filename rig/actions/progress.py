# SPDX-License-Identifier: MIT
"""Progress of a run on a terminal: strokes done, time left, live values. Silent elsewhere."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator

from rig.actions.outcome_words import say
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.figures import short_names
from rig.core.json_values import JsonObject
from rig.core.reader_units import units
from rig.core.records import Sample, Step, decode
from rig.core.results.run import figure_of
from rig.desk.session import Watcher

REDRAW_S = 0.1
LAG_TOLD_S = 2.0
"""Rate limit for reports of a recorder that is behind."""
GUIDES = {
    "raise": "RAISE the pressure slowly and steadily",
    "lower": "LOWER the pressure slowly and steadily",
    "hold": "hold",
}


class ProgressView(Watcher):
    """Draws nothing: output that is not a terminal gets no messages except an alarm."""

    def alarm(self, words: str) -> None:
        say(words)


class TerminalView(ProgressView):
    """A bar with strokes done, time left, and the latest values."""

    def __init__(self, setup: Setup, sheet: Sheet, source: str) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        from rig.results.live_stroke import LiveStrokes

        self._total_s, self._of = sheet.longest_s, sheet.times
        self._bar = Progress(
            TextColumn("{task.fields[source]}", style="bold"),
            TextColumn("{task.fields[step]}"),
            BarColumn(bar_width=24),
            TextColumn("{task.fields[left]}"),
            TextColumn("{task.fields[live]}"),
            console=Console(stderr=True),
            auto_refresh=False,
            transient=True,
        )
        self._task = self._bar.add_task(
            "", total=self._total_s, source=source.upper() if source != "board" else "",
            step="starting", left="", live="",
        )  # fmt: skip
        self._first_ns: int | None = None
        self._now_ns = 0
        self._step = Step("settle", 0, 0)
        self._pressure: float | None = None
        self._closed: str = ""
        self._drawn, self._lag_told = 0.0, -LAG_TOLD_S
        self._strokes = LiveStrokes(setup, sheet, source)

    def start(self) -> None:
        self._bar.start()

    def stop(self) -> None:
        self._bar.stop()

    def record(self, line: bytes) -> None:
        record = decode(line)
        self._strokes.put(record)
        if isinstance(record, Step):
            self._step, self._now_ns = record, record.t_ns
            if self._first_ns is None:
                self._first_ns = record.t_ns
        elif isinstance(record, Sample):
            self._now_ns = record.t_ns
            if record.channel == "pressure":
                self._pressure = record.value
        self._draw()

    def status(self, status: JsonObject) -> None:
        self._now_ns = int(status["t_ns"])
        self._pressure = status["pressure_kpa"]
        closed = status["switch_closed"]
        self._closed = "" if closed is None else f"contact {'closed' if closed else 'open'}"
        self._draw()

    def guide(self, instruction: str) -> None:
        self._bar.console.print(f"[bold]{GUIDES.get(instruction, instruction)}[/bold]")

    def recorder(self, told: JsonObject) -> None:
        lag_s = float(told.get("lag_s") or 0)
        if lag_s > 0.5 and time.monotonic() - self._lag_told > LAG_TOLD_S:
            self._lag_told = time.monotonic()
            self._bar.console.print(f"The recorder is {lag_s:.1f} s behind.")

    def alarm(self, words: str) -> None:
        self._bar.console.print(units().words(words), style="bold")

    def stopping(self, why: str) -> None:
        self._bar.console.print(f"Stopping: {why}. The coil is commanded off first.")

    def _draw(self) -> None:
        now = time.monotonic()
        if now - self._drawn < REDRAW_S or self._first_ns is None:
            return
        self._drawn = now
        done_s = (self._now_ns - self._first_ns) / 1e9
        left_s = max(0.0, self._total_s - done_s)
        step = self._step.name
        shown = f"{step} {self._step.number}/{self._of}" if self._step.number else step
        pressure = "" if self._pressure is None else units().text(self._pressure, "kPa", 0)
        last = self._strokes.last
        times = [
            f"{name} {value:.1f} ms"
            for key, name in short_names().items()
            if last is not None and (value := figure_of(last, key)) is not None
        ]
        if self._strokes.missed:
            times.append(f"{self._strokes.missed} missed")
        self._bar.update(
            self._task,
            completed=done_s,
            step=shown,
            left=f"{left_s:.0f} s left" if left_s < 120 else f"{left_s / 60:.0f} min left",
            live="  ".join(item for item in (*times, pressure, self._closed) if item),
        )
        self._bar.refresh()


@contextlib.contextmanager
def view(setup: Setup, sheet: Sheet, source: str, *, quiet: bool) -> Iterator[Watcher]:
    """The progress view suited to standard error."""
    if quiet or not sys.stderr.isatty():
        yield ProgressView()
        return
    from rig.actions.beside import Beside

    terminal = TerminalView(setup, sheet, source)
    drawn = Beside(terminal, terminal.start, terminal.stop)
    drawn.start()
    try:
        yield drawn
    finally:
        drawn.stop()
