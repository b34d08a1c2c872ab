# SPDX-License-Identifier: MIT
"""From the host: the emulated board inside a guest, and the plant on its far side."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NamedTuple

from machine import JOB, Guest, Job

LABEL = "pinctrl-bcm2711"
LINES = 58  # of a Pi 4B
RELAY, SWITCH, READBACK = 17, 22, 27


class Board(NamedTuple):
    """The simulated chip in a guest: its device node, and the folder of its far side."""

    device: str
    lines: str

    def pull(self, offset: int) -> str:
        """The far side of an input: write "pull-up" or "pull-down"."""
        return f"{self.lines}/sim_gpio{offset}/pull"

    def value(self, offset: int) -> str:
        """The electrical level of a line as the far side sees it."""
        return f"{self.lines}/sim_gpio{offset}/value"


def board_up(guest: Guest) -> Board:
    """Create the chip. The read-back shows a dead load; the switch line rests high, open."""
    names = (f"RELAY={RELAY}", f"SWITCH={SWITCH}", f"READBACK={READBACK}")
    done = guest.python("guest_board.py", LABEL, str(LINES), *names)
    assert done.status == 0, done
    board = Board(**json.loads(done.stdout))
    set_pull(guest, board, SWITCH, True)
    return board


def set_pull(guest: Guest, board: Board, offset: int, up: bool) -> None:
    """Drive an input from the far side; for an output, what it falls back to when it is freed."""
    done = guest.run(f"echo pull-{'up' if up else 'down'} > {board.pull(offset)}")
    assert done.status == 0, done


def level(guest: Guest, board: Board, offset: int) -> int:
    done = guest.run(f"cat {board.value(offset)}")
    assert done.status == 0, done
    return int(done.stdout)


class Plant:
    """The independent plant (guest_plant.py), running in a guest; a context manager."""

    def __init__(self, guest: Guest, board: Board, **settings: Any) -> None:
        plan = {
            "lines": board.lines, "relay": RELAY, "switch": SWITCH, "readback": READBACK, **settings
        }  # fmt: skip
        (guest.folder / "plant.json").write_text(json.dumps(plan))
        self._log = guest.folder / "plant.log.json"
        files = [f"{JOB}/plant.json", f"{JOB}/plant.log.json"]
        command = guest.python_command("guest_plant.py", *files)
        self.job: Job = guest.start(f"exec {command}")  # no shell in between to take the signal

    def __enter__(self) -> Plant:
        self.job.wait_for("ready", 120)
        return self

    def __exit__(self, *_: object) -> None:
        if self.job.running():
            self.job.signal("KILL")

    def finish(self) -> dict[str, Any]:
        """End the plant and return its log; see guest_plant.py for the shape."""
        self.job.signal("TERM")
        done = self.job.wait(60)
        assert done.status == 0, done
        log: dict[str, Any] = json.loads(Path(self._log).read_text())
        return log
