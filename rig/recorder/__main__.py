# SPDX-License-Identifier: MIT
"""`python -m rig.recorder --in FD --status FD`: record one run (see rig.recorder.process)."""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path

# Signals that a terminal sends to all its processes: the bench decides when a run ends. Ignored
# before the slow imports, because Ctrl-C may arrive during those too.
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
    return parser.parse_args(argv)


def main(argv: list[str] | None = None) -> int:
    """Run the recorder process; returns its exit code."""
    given = _arguments(argv)
    for number in IGNORED:
        signal.signal(number, signal.SIG_IGN)
    from rig.core import places
    from rig.core.errors import StorageError
    from rig.recorder.process import Status, serve

    try:
        log, raw = given.log or places.log_path(), given.raw or places.raw_dir()
    except StorageError as error:
        Status(given.status_fd).error(error)
        return error.exit_code
    return serve(given.in_fd, given.status_fd, log, raw, given.state)


if __name__ == "__main__":
    sys.exit(main())
