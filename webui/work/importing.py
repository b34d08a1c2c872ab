# SPDX-License-Identifier: MIT
"""`python -m webui.work.importing`: read uploaded captures in a restricted process.

One line of JSON in: {"path", "setup", "setup_name", "maps", "resolution"}, where `maps` holds the
column maps that a person confirmed or tries, by the key of the file's kind, "" for any. One line
out: {"runs": [...]} with a preview and the file of records of each, or {"problems": [...]}; with
the {"plan"} of a table's columns. Memory, time and files of the process are limited, and it is
killed and restarted when it does not answer, so that an invalid capture does no harm.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.core.json_values import JsonObject
from webui.work import children

if TYPE_CHECKING:
    from rig.captures import Plan

MEMORY_BYTES = 2 << 30
FILE_BYTES = 512 << 20
OPEN_FILES = 64
NICENESS = 15
ANSWER_S = 180.0
"""A small board takes minutes over the largest capture, more so beside other work."""
LOOK_S = 0.25
"""How often to check whether somebody still waits for the answer."""
RUNS_MOST = 200
PROGRESS, PROGRESS_S = "progress", 0.3
"""A file beside the capture states how many bytes of it were read, updated this often."""
VALUES_SHOWN = 3


class Reader:
    """The reading process: one for all requests, one request at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self.begun = 0

    def read(
        self, question: dict[str, Any], within_s: float = ANSWER_S,
        gone: Callable[[], bool] = lambda: False,
    ) -> JsonObject:  # fmt: skip
        """The answer; also {"problems": ...} if the process died or took too long, or `gone`
        reported that nobody waits for it."""
        with self._lock:
            process, over = self._ready(), threading.Event()
            until_s = time.monotonic() + within_s

            def watch() -> None:
                while not over.wait(LOOK_S):
                    if gone() or time.monotonic() >= until_s:
                        process.kill()

            watching = threading.Thread(target=watch)
            watching.start()
            try:
                answer = self._ask(process, question)
            finally:
                over.set()
                watching.join()
            if answer is None:
                self._end()
                what = "it could not be read within the time and memory that a capture may take"
                return {"problems": [problem(what, "send a smaller part")]}
            return answer

    def _ask(self, process: subprocess.Popen[str], question: dict[str, Any]) -> JsonObject | None:
        if process.stdin is None or process.stdout is None:
            return None
        with contextlib.suppress(BrokenPipeError, ValueError):
            process.stdin.write(json.dumps(question) + "\n")
            process.stdin.flush()
            answer: JsonObject = json.loads(process.stdout.readline())
            return answer
        return None

    def _ready(self) -> subprocess.Popen[str]:
        if self._process is None or self._process.poll() is not None:
            self._end()
            self.begun += 1
            self._process = children.start("webui.work.importing")
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        children.end(process)

    def close(self) -> None:
        with self._lock:
            self._end()


def problem(what: str, remedy: str, key: str = "", value: str = "") -> dict[str, str]:
    """The problem, as the page shows it."""
    return {"key": key, "value": value, "what": what, "remedy": remedy}


# -- inside the process


def limit_memory() -> None:
    """Limit memory, and use the processor only when nobody else wants it."""
    os.nice(NICENESS)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def limit_itself() -> None:
    """Limit memory, file size and the number of descriptors."""
    limit_memory()
    resource.setrlimit(resource.RLIMIT_FSIZE, (FILE_BYTES, FILE_BYTES))
    resource.setrlimit(resource.RLIMIT_NOFILE, (OPEN_FILES, OPEN_FILES))


def answer(question: dict[str, Any]) -> JsonObject:
    """Read one capture; its runs' records are then in files beside it."""
    from pydantic import ValidationError

    from rig.analysis.analyse import analyse
    from rig.captures import plan_capture, read_capture, stated_resolution_ns
    from rig.captures.mapping import CaptureMap
    from rig.captures.records_out import records_of
    from rig.config.files.loading import setup_from_text
    from rig.core.errors import FileProblems, UsageError
    from rig.core.records import encode
    from rig.text.first_strokes import first_strokes

    path = Path(question["path"])
    shown: dict[str, Any] = {}
    try:
        setup = setup_from_text(question["setup"], question["setup_name"]).setup
        resolution_ns = stated_resolution_ns(question.get("resolution"))
        maps = question.get("maps") or {}

        def map_of(key: str) -> CaptureMap | None:
            return CaptureMap.model_validate(maps[key]) if key in maps else None

        plan = plan_capture(path, setup, None, map_of, map_of(""))
        if plan is not None:
            shown = {"plan": _plan_shown(path, plan)}
            if plan.by is not None and plan.by.missing():
                missing = ", ".join(plan.by.missing())
                why = "say below which column it is, and look again"
                return {"problems": [problem(f"not known yet: {missing}", why)], **shown}
        captured = read_capture(path, setup, resolution_ns, plan, _tells(path))
    except UsageError as error:
        remedy = "write a time like 1 ms, or leave it empty"
        return {"problems": [problem(str(error), remedy, "resolution", question["resolution"])]}
    except FileProblems as error:
        found = [problem(p.what, p.remedy, p.key, p.value) for p in error.problems]
        return {"problems": found, **shown}
    except ValidationError as error:
        return {"problems": [problem(str(error.errors()[0]["msg"]), "mend it below")], **shown}
    if len(captured) > RUNS_MOST:
        return {"problems": [problem(f"{len(captured)} runs in one file", "send fewer at once")]}
    runs = []
    for number, (name, recording) in enumerate(captured):
        kept = path.with_name(f"{path.name}.{number}.records")
        with kept.open("w") as file:
            file.writelines(encode(record) + "\n" for record in records_of(recording))
        runs.append(
            {
                "name": name,
                "records": kept.name,
                "shown_source": recording.shown_source,
                "strokes": len(set(recording.commands.stroke.tolist()) - {0}),
                "edges": {line: len(edges.t_ns) for line, edges in recording.edges.items()},
                "readings": {name: len(s.t_ns) for name, s in recording.samples.items()},
                "first": first_strokes(recording, analyse(recording, setup, None).strokes),
            }
        )
    return {"runs": runs, **shown}


def _tells(path: Path) -> Callable[[int], None]:
    told_s = 0.0

    def progress(read: int) -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if now_s - told_s >= PROGRESS_S:
            told_s = now_s
            with contextlib.suppress(OSError):
                (path.parent / PROGRESS).write_text(str(read))

    return progress


def _plan_shown(path: Path, plan: Plan) -> JsonObject:
    """What the page shows of a plan; with a map, also each column's first values."""
    from rig.captures.guess import looked_at

    first = [] if plan.by is None else looked_at(path, plan.layout)
    return {
        "key": plan.key, "sure": plan.sure, "left_out": plan.left_out,
        "remarks": plan.remarks,
        "map": None if plan.by is None else plan.by.model_dump(),
        "columns": [
            {"name": name, "first": [text for text in column if text][:VALUES_SHOWN]}
            for name, column in zip(plan.layout.names, first, strict=False)
        ],
    }  # fmt: skip


def main() -> None:
    """Answer until the input ends."""
    limit_itself()
    out, sys.stdout = sys.stdout, sys.stderr
    for line in sys.stdin:
        question = json.loads(line)
        try:
            said = answer(question)
        except MemoryError:
            said = {"problems": [problem("it needs more memory than a capture may take",
                                          "send a smaller part")]}  # fmt: skip
        except Exception as error:  # noqa: BLE001 - whatever it was, the next capture counts
            said = {"problems": [problem(f"it could not be read ({type(error).__name__})",
                                          "look whether it is a CSV or a VCD")]}  # fmt: skip
        out.write(json.dumps(said) + "\n")
        out.flush()


if __name__ == "__main__":
    main()
