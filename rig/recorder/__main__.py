# SPDX-License-Identifier: MIT
"""`python -m rig.recorder --in FD --status FD`: record one run (see rig.recorder.process).

`python -m rig.recorder --restore RAWFILE`: put a run, or its missing last records, back into the
log from its raw file. `python -m rig.recorder --back-up COPY`: copy the log, also during a run.
"""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path

# Signals that a terminal sends to everything in it: the bench decides when a run ends. Set before
# the imports that take long, because Ctrl-C may come then too.
IGNORED = (
    signal.SIGINT, signal.SIGQUIT, signal.SIGTSTP, signal.SIGHUP, signal.SIGTTIN, signal.SIGTTOU,
)  # fmt: skip


def _arguments(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m rig.recorder", description=__doc__)
    parser.add_argument("--in", dest="in_fd", type=int, default=0, metavar="FD")
    parser.add_argument("--status", dest="status_fd", type=int, default=1, metavar="FD")
    parser.add_argument("--log", type=Path, help="run log (default: in the data directory)")
    parser.add_argument("--raw", type=Path, help="folder of raw files (default: likewise)")
    parser.add_argument("--state", type=Path, help="state file that a trip is latched in")
    parser.add_argument("--restore", type=Path, metavar="RAWFILE")
    parser.add_argument("--back-up", type=Path, metavar="COPY")
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run the recorder's process; returns its exit code."""
    given = _arguments(argv)
    if given.restore is not None or given.back_up is not None:
        return _by_hand(given.log, given.restore, given.back_up)
    for number in IGNORED:
        signal.signal(number, signal.SIG_IGN)
    from rig.core import places
    from rig.recorder.process import serve

    return serve(
        given.in_fd,
        given.status_fd,
        given.log or places.log_path(),
        given.raw or places.raw_dir(),
        given.state,
    )


def _by_hand(log_path: Path | None, raw_path: Path | None, copy: Path | None) -> int:
    """What a person asks for; errors in words, on standard error."""
    from rig.core import places
    from rig.core.errors import RigError
    from rig.recorder.restore import restore
    from rig.runlog import schema
    from rig.runlog.store import RunLog

    path = log_path or places.log_path()
    try:
        if copy is not None:
            schema.require_current(path)
            schema.back_up(path, copy.absolute())
            sys.stdout.write(f"Copied {path} to {copy} and checked the copy.\n")
        if raw_path is not None:
            with RunLog(path) as log:
                sys.stdout.write(f"{restore(log, raw_path)}\n")
    except RigError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
