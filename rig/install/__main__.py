# SPDX-License-Identifier: MIT
"""`sudo python3 -m rig.install`: install the rig as a service of this computer, from a checkout."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rig import bootstrap
from rig.debian import CannotSetUp, require_python, say
from rig.install import steps


def main() -> int:
    """Install or upgrade; with an option roll back, or uninstall. Never starts a run."""
    parser = argparse.ArgumentParser(prog="python3 -m rig.install", description=main.__doc__)
    parser.add_argument("--dry-run", action="store_true", help="say what would be done, do nothing")
    parser.add_argument(
        "--gauge", metavar="PORT", help="give the adapter at PORT the name /dev/rig-gauge"
    )
    parser.add_argument(
        "--wheels", type=Path, metavar="FOLDER", help="libraries, without a network"
    )
    parser.add_argument(
        "--root", type=Path, default=Path("/"), help="another system's files (an image)"
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--rollback", action="store_true", help="the release before into use again")
    what.add_argument("--uninstall", action="store_true", help="all but setups and records")
    chosen = parser.parse_args()
    try:
        require_python()
        machine = steps.Machine(chosen.root.absolute(), dry=chosen.dry_run)
        if chosen.rollback:
            steps.roll_back(machine)
        elif chosen.uninstall:
            steps.uninstall(machine)
        else:
            wheels = chosen.wheels.absolute() if chosen.wheels else None
            gauge = steps.gauge_of(chosen.gauge) if chosen.gauge else {}
            steps.install(machine, bootstrap.ROOT, wheels, gauge)
    except CannotSetUp as problem:
        say(str(problem))
        return bootstrap.EXIT_CANNOT
    except OSError as problem:
        where, why = problem.filename or "A file", problem.strerror or problem
        say(f"{where}: {why}. Correct that, then start again: what is in place stays.")
        return bootstrap.EXIT_CANNOT
    return 0


if __name__ == "__main__":
    sys.exit(main())
