# SPDX-License-Identifier: MIT
"""Set up and run the main job on the simulated rig: `python3 demo/run.py`.

The scenario is invented. The way is the real one: the same `rig run` that drives a board, in real
time, in three processes, logged to this person's own run log (or to RIG_DATA).
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from rig.bootstrap import EXIT_CANNOT, Checkout  # noqa: E402
from rig.core.errors import (  # noqa: E402
    EXIT_COIL_LIVE,
    EXIT_DOES_NOT_CONFORM,
    EXIT_OK,
    EXIT_TRIPPED,
    EXIT_UNDECIDED,
)
from rig.core.places import log_path  # noqa: E402
from rig.debian import CannotSetUp, say  # noqa: E402

SETUP = "demo/workshop.setup.toml"
SHEET = "demo/workshop.sheet.toml"
STATED = [
    "--valve", "V-101", "--job", "demo", "--by", "demo", "--note", "invented scenario",
    "--oil-temperature", "90 degC", "--supply-voltage", "12.6 V",
]  # fmt: skip

LOGGED = (EXIT_OK, EXIT_DOES_NOT_CONFORM, EXIT_TRIPPED, EXIT_UNDECIDED, EXIT_COIL_LIVE)
"""Exit codes after which there is a run to look at."""


def main() -> int:
    checkout = Checkout(ROOT)
    try:
        checkout.prepare()
    except CannotSetUp as problem:
        say(str(problem))
        return EXIT_CANNOT
    except KeyboardInterrupt:
        say("\nStopped. Start again to go on where it was.")
        return 130
    rig = checkout.command("rig")
    command = [str(rig), "run", SETUP, SHEET, *STATED]
    say("\nAn invented scenario on the SIMULATED rig: no hardware is involved.")
    say(f"$ {shlex.join(command)}\n")
    # Ctrl-C reaches rig, which commands its coil off and keeps the record; here we wait for it
    signal.signal(signal.SIGINT, lambda *_: None)
    code = subprocess.run(command, cwd=ROOT).returncode
    if code not in LOGGED:
        say("\nNo run was logged; the words above say why.")
        return code
    place = "chosen by RIG_DATA" if os.environ.get("RIG_DATA") else "your own; RIG_DATA moves it"
    say(f"\nLook at the run on a page:  {rig} serve")
    say(f"The run log is {log_path()} ({place})")
    return code


if __name__ == "__main__":
    sys.exit(main())
