# SPDX-License-Identifier: MIT
"""From the host: a guest in which runs are broken on purpose, and the outcomes."""

from __future__ import annotations

import json
import os
import pickle
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from board import LABEL, READBACK, RELAY, SWITCH, Board, Plant
from fault_study import Try, judged
from host_waits import HostWaits
from machine import JOB, Guest

from rig.config.files.loading import load_pair
from rig.runlog.store import RunLog

HERE = Path(__file__).resolve().parent
HEARTBEAT = 24
CONTROL = "/run/work/control"
DATA = "/run/data"
PATIENT = ("[limits]\n", '[limits]\ngauge_stale = "8 s"\n')
"""What lets a run outlast a gauge that is pulled out and put back."""
CONVERTER = bool(int(os.environ.get("RIG_FAULT_CONVERTER", "0")))
"""RIG_FAULT_CONVERTER=1: with a converter in the bench's loop (guest_converter.py)."""
SECONDS_A_TRY = 60
PLANT = {
    "readback_delay_ms": 4, "close_delay_ms": [25, 32, 41], "open_delay_ms": [20, 27, 36],
    "heartbeat": HEARTBEAT, "control": CONTROL,
    "gauge": {
        "port": "/dev/ttyS1", "line": "P {kpa:.1f} kPa\r\n", "period_ms": 100,
        "low_kpa": 60, "high_kpa": 330, "rise_ms": 25,
    },
}  # fmt: skip


def setup_text(*, converter: bool) -> str:
    """The study's setup, with or without the converter."""
    names = ["faulted.setup.toml", *["converter.setup.toml"] * converter]
    return "\n".join((HERE / name).read_text() for name in names)


def signalled(fault: str, name: str, *to: str, budget_ms: float, **more: Any) -> dict[str, Any]:
    """A try in which processes of the run receive a signal."""
    return {"fault": fault, "budget_ms": budget_ms, "do": [["signal", name, *to]], **more}


def campaign(
    guest: Guest, board: Board, tries: Sequence[dict[str, Any]], *, bare: int = 0, seed: int = 1
) -> list[Try]:
    """Run these tries in the guest, one after another."""
    plan = {
        "sheet": str(HERE / "faulted.sheet.toml"),
        "short_sheet": str(HERE / "faulted_short.sheet.toml"), "lines": board.lines,
        "chip": LABEL, "relay": RELAY, "switch": SWITCH, "readback": READBACK,
        "control": CONTROL, "seed": seed, "tries": list(tries), "bare": bare,
        "pairs": f"{JOB}/pairs.pickle", "converter": CONVERTER, "log": f"{JOB}/data/runs.sqlite",
    }  # fmt: skip
    # Slow for the emulated processor and not part of a fault, so done here.
    setup, short = guest.folder / "faulted.setup.toml", Path(plan["short_sheet"])
    setup.write_text(setup_text(converter=CONVERTER))
    patient = guest.folder / "patient.setup.toml"
    patient.write_text(setup.read_text().replace(*PATIENT))
    pairs = {
        "sheet": load_pair(setup, Path(plan["sheet"])),
        "short_sheet": load_pair(setup, short),
        "patient": load_pair(patient, short),
    }
    (guest.folder / "pairs.pickle").write_bytes(pickle.dumps(pairs))
    (guest.folder / "data").mkdir(exist_ok=True)
    RunLog(guest.folder / "data" / "runs.sqlite").close()
    (guest.folder / "plan.json").write_text(json.dumps(plan))
    done = guest.run(
        f"[ -p {CONTROL} ] || mkfifo {CONTROL}; [ -d {DATA} ] || cp -r {JOB}/data {DATA}"
    )
    assert done.status == 0, done
    words = [
        sys.executable,
        str(HERE / "guest_faults.py"),
        f"{JOB}/plan.json",
        f"{JOB}/results.jsonl",
    ]
    with HostWaits(guest) as waits, Plant(guest, board, **PLANT) as plant:
        job = guest.start(f"exec {shlex.join(words)}", {"RIG_DATA": DATA})
        done = job.wait(120 + SECONDS_A_TRY * len(tries))
        log = plant.finish()
    assert done.status == 0, done
    results = (guest.folder / "results.jsonl").read_text().splitlines()
    return [judged(json.loads(result), log, waits.waited_ms) for result in results]
