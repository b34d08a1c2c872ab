# SPDX-License-Identifier: MIT
"""Whether the tests take every branch of what decides if a coil is off: `python3 tests/run.py
branches [GROUP ...]`.

coverage.py watches the tests of each safety group (groups.toml) with branches. Prints a table, and
every line and branch that no test took; exit code 1 where a module is below 100 %. A line may be
left out by `# pragma: no cover - reason`, a branch by `# pragma: no branch - reason`; without a
reason it counts. The dots of a Protocol and what only mypy reads are no code.
tests/studies/README.md has the table.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from mutation import ROOT, Group, groups

CONFIG = """
[run]
branch = true
parallel = true
sigterm = true
patch = subprocess, fork, _exit
data_file = {folder}/data
include =
    {modules}

[report]
exclude_lines =
    pragma: no cover - \\w
    ^\\s*def .*: \\.\\.\\.$
    ^if TYPE_CHECKING:
partial_branches = pragma: no branch - \\w
show_missing = true
format = markdown
precision = 1
fail_under = 100
"""
WHOLE = "not kernel"
"""Which tests: none that needs an emulated kernel."""


def covered(group: Group, python: Path) -> tuple[str, int]:
    """The group's table, and an exit code: 1 where a test failed or a branch was not taken."""
    modules = [str(path) for one in group.modules for path in sorted(ROOT.glob(one))]
    with tempfile.TemporaryDirectory(prefix="branches-") as folder:
        config = Path(folder) / "config"
        config.write_text(CONFIG.format(folder=folder, modules="\n    ".join(modules)))
        coverage = [str(python), "-m", "coverage"]
        settings = f"--rcfile={config}"
        env = {**os.environ, "CI": ""}
        words = ["-m", "pytest", "-q", "-n0", "-p", "no:cacheprovider", "-m", WHOLE, *group.tests]
        tried = subprocess.run([*coverage, "run", settings, *words], cwd=ROOT, env=env)
        subprocess.run([*coverage, "combine", "-q", settings], cwd=ROOT, check=True)
        told = subprocess.run([*coverage, "report", settings], cwd=ROOT, capture_output=True,
                              text=True)  # fmt: skip
    return told.stdout + told.stderr, int(bool(tried.returncode or told.returncode))


def main(words: Sequence[str], python: Path) -> int:
    """Watch the safety groups named, or all of them."""
    known = [group for group in groups() if group.kind == "safety"]
    wrong = set(words) - {group.name for group in known}
    if wrong:
        names = ", ".join(group.name for group in known)
        print(f"There is no safety group {', '.join(sorted(wrong))}. Groups: {names}.")
        return 2
    found = [(group, covered(group, python)) for group in known if not words or group.name in words]
    for group, (table, code) in found:
        print(f"\n{group.name}{': a test failed, or a branch was not taken' if code else ''}\n")
        print(table, flush=True)
    return max(code for _, (_, code) in found)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:], Path(sys.executable)))
