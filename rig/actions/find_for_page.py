# SPDX-License-Identifier: MIT
"""`python -m rig.actions.find_for_page PORT [--ask]`: rig.actions.find_gauge for a page.

Each line of standard output is one JSON object with one of the keys of TOLD. The end of its input
ends it: then nobody is watching.
"""

from __future__ import annotations

import json
import os
import sys
import threading

from rig.actions import find_gauge
from rig.config.gauge.marks import named
from rig.core.errors import RefusedError, RigError

TOLD = ("said", "heard", "question", "found", "wrong")
"""A step; bytes as received; a permission to ask for; table and words; why it ended."""


def _tell(**one: object) -> None:
    sys.stdout.write(json.dumps(one) + "\n")
    sys.stdout.flush()


def _end_with_the_page() -> None:
    sys.stdin.read()
    os._exit(0)  # the kernel releases a port held open


def main() -> None:
    """Search and report."""
    port, may_ask = sys.argv[1], "--ask" in sys.argv[2:]
    threading.Thread(target=_end_with_the_page, daemon=True).start()

    def allowed(question: str) -> bool:
        if not may_ask:
            _tell(question=question)
            raise RefusedError(question, id_="refusal.ask-gauge")
        return True

    try:
        found = find_gauge.find(
            port, lambda text: _tell(said=text), allowed, lambda data: _tell(heard=named(data))
        )
        _tell(found={"table": found.table, "words": found.words})
    except RigError as error:
        _tell(wrong=str(error))


if __name__ == "__main__":
    main()
