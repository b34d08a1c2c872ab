# SPDX-License-Identifier: MIT
"""Storage health: data folder, disk, database, clock."""

from __future__ import annotations

from collections.abc import Iterator


def keeping() -> Iterator[str]:
    """Lines for `rig check`: the place, then cautions."""
    from rig.core import places
    from rig.core.clock import clock_synchronised
    from rig.recorder.disk import MIN_FREE_MB, ROOM_REMEDY, free_mb, lost_at_power_off, room_words
    from rig.runlog.engine import sqlite_caution

    try:
        folder = places.data_dir()
        free = free_mb([folder])
    except OSError as error:
        yield f"Caution: the data directory cannot be used: {error}. Point RIG_DATA at another."
        return
    yield f"Runs are kept in {folder}, where {room_words(free)} are free."
    if not free >= MIN_FREE_MB:
        yield f"Caution: a run begins only with {MIN_FREE_MB:.0f} MB or more. {ROOM_REMEDY}"
    forgets = lost_at_power_off(folder)
    if forgets:
        yield f"Caution: {forgets}"
    database = sqlite_caution()
    if database:
        yield f"Caution: {database}"
    if not clock_synchronised():
        yield (
            "Caution: the computer's clock is not known to be right (not synchronised), so the "
            "dates of runs are in doubt. Times within a run do not depend on it."
        )
