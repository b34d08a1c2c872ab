# SPDX-License-Identifier: MIT
"""In the guest: feed a recorder on the disk until the power goes off; print what it acknowledges.

    guest_records.py FOLDER

The recorder's own process, with this script instead of bench and desk. Each line printed is
a number of records acknowledged as committed; it is outside the guest by the time it is printed.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path += [str(Path(__file__).resolve().parent.parent / name) for name in ("recorder", "support")]

from recorder_parts import Process, lines

BATCH = 20


def main() -> None:
    process = Process(Path(sys.argv[1]))
    process.hear("ready", 250)
    process.begin()
    print("begun", flush=True)
    sent, told = 0, 0
    while True:
        process.send(*lines(BATCH, sent))
        sent += BATCH
        for word in process.listen(0.05):
            if word.get("committed", 0) > told:
                told = word["committed"]
                print(told, flush=True)
            assert "error" not in word, word
        time.sleep(0.02)


if __name__ == "__main__":
    main()
