# SPDX-License-Identifier: MIT
"""Column maps of instruments, confirmed by a person and kept for the next file of the same kind."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.captures.mapping import CaptureMap

MOST = 200
"""Number of maps kept; the oldest is dropped first."""


def _path() -> Path:
    from rig.core.places import data_dir

    return data_dir() / "capture-maps.json"


def all_kept() -> dict[str, dict[str, object]]:
    """Every kept map as JSON, by the key of its files."""
    try:
        found = json.loads(_path().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def kept(key: str) -> CaptureMap | None:
    """The confirmed map for files with this key; None if none can be read."""
    from pydantic import ValidationError

    from rig.captures.mapping import CaptureMap

    try:
        return CaptureMap.model_validate(all_kept()[key])
    except (KeyError, ValidationError):
        return None


def keep(key: str, confirmed: CaptureMap) -> None:
    """Keep a confirmed map. May raise OSError."""
    keep_shape(key, confirmed.model_dump())


def keep_shape(key: str, shape: dict[str, object]) -> None:
    """Keep the JSON of a confirmed map. May raise OSError."""
    from rig.core.atomic_file import whole_file

    found = all_kept()
    found.pop(key, None)
    found[key] = shape
    newest = dict(list(found.items())[-MOST:])
    with whole_file(_path()) as file:
        json.dump(newest, file, ensure_ascii=False, indent=1)
