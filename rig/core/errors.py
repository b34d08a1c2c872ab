# SPDX-License-Identifier: MIT
"""Every error this program raises on purpose, in one tree.

Each error also inherits the nearest builtin, carries its facts as fields, and knows its exit code
on the command line (DEVELOPERS.md, "Exit codes").
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from rig.core.message_ids import message_id

EXIT_OK = 0
EXIT_DOES_NOT_CONFORM = 1
EXIT_USAGE = 2
EXIT_TRIPPED = 3
EXIT_HARDWARE = 4
EXIT_UNDECIDED = 5
EXIT_COIL_LIVE = 6
EXIT_INTERNAL = 7


class Problem(NamedTuple):
    """One problem in a file: where, what, and the remedy."""

    file: str
    key: str
    value: str
    what: str
    remedy: str
    refusal: str = ""

    @property
    def id(self) -> str:
        """Like `problem.limits-pressure`, of the key that was refused; `refusal` where the problem
        is an error of its own."""
        key = re.sub(r"\[.*?\]", "", self.key)
        return self.refusal or message_id("problem", key or "file")

    def __str__(self) -> str:
        where = f"{self.file}: {self.key}" if self.key else self.file
        shown = f" = {self.value}" if self.value else ""
        return f"{where}{shown}\n  {self.what}\n  Remedy: {self.remedy}"


class RigError(Exception):
    """Base of all errors a person may see. `exit_code` is what the command line returns, `id` is
    that of the message: its own, or that of the kind of error."""

    exit_code = EXIT_INTERNAL
    id = "refusal.internal-fault"

    def __init__(self, *args: object, id_: str = "") -> None:
        super().__init__(*args)
        if id_:
            self.id = id_


class FileProblems(RigError, ValueError):
    """A setup, sheet or capture was refused. Nothing was energised.

    `problems` holds every problem found, not only the first; `so` states the consequence.
    """

    exit_code = EXIT_USAGE
    id = "refusal.file"

    def __init__(self, problems: Iterable[Problem], so: str = "nothing was energised") -> None:
        self.problems, self.so = tuple(problems), so
        super().__init__(self.problems)

    def __str__(self) -> str:
        n = len(self.problems)
        head = "1 problem" if n == 1 else f"{n} problems"
        return f"{head} found; {self.so}.\n" + "\n".join(str(p) for p in self.problems)


class UsageError(RigError, ValueError):
    """The command cannot work with what it was given. Nothing was energised."""

    exit_code = EXIT_USAGE
    id = "refusal.usage"


class RefusedError(RigError, PermissionError):
    """The rig refuses to start: latched trip, rig in use, or not confirmed by a person."""

    exit_code = EXIT_HARDWARE
    id = "refusal.start"


class HardwareError(RigError, OSError):
    """A line, chip or port is missing or would not open. Nothing was energised."""

    exit_code = EXIT_HARDWARE
    id = "refusal.hardware"


class StorageError(RigError, OSError):
    """The run log or a raw file cannot be opened, read or written.

    The message names the file, the fault and the remedy.
    """

    exit_code = EXIT_HARDWARE
    id = "refusal.storage"


class BrokenOffError(RigError, RuntimeError):
    """Hardware failed during a run; the relay was commanded off; the record is kept."""

    exit_code = EXIT_INTERNAL
    id = "refusal.broken-off"


STILL_LIVE = "the relay was commanded off, the read-back stays live."


class CoilLiveError(RigError, RuntimeError):
    """The relay was commanded off, but the read-back still shows the load side live."""

    exit_code = EXIT_COIL_LIVE
    id = "refusal.coil-live"

    def __init__(self, detail: str) -> None:
        self.detail = detail
        super().__init__(detail)

    def __str__(self) -> str:
        return (
            f"COIL STILL LIVE: {self.detail} Open the mushroom stop or pull the fuse now, "
            "then find out why before anything else."
        )


class InternalFault(RigError, RuntimeError):
    """A fault of this program; the relay was commanded off."""

    exit_code = EXIT_INTERNAL
