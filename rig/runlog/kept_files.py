# SPDX-License-Identifier: MIT
"""Files stored beside the run log that belong to it: photos and documents, under the hash of their
content, and a job's checks by hand."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

from rig.core import atomic_file

FOLDER, JOBS = "files", "jobs"
_OURS = re.compile(r"files/[0-9a-f]{64}|jobs/[1-9][0-9]{0,9}\.checks\.toml")


def hash_of(content: bytes) -> str:
    """SHA-256 of the content, under which it is stored."""
    return hashlib.sha256(content).hexdigest()


def path_of(log_path: Path, content_hash: str) -> Path:
    """Path of the content with this hash."""
    return log_path.parent / FOLDER / content_hash


def checks_path(log_path: Path, job: int) -> Path:
    """Path of the checks by hand of job number `job`."""
    return log_path.parent / JOBS / f"{job}.checks.toml"


def is_one(name: str) -> bool:
    """Whether `name`, relative to the log's folder, is that of a file belonging to a log."""
    return _OURS.fullmatch(name) is not None


def beside(log_path: Path) -> Iterator[str]:
    """The names, relative to the log's folder, of all files that belong to the log."""
    for folder in (FOLDER, JOBS):
        for path in sorted((log_path.parent / folder).glob("*")):
            name = f"{folder}/{path.name}"
            if is_one(name) and path.is_file():
                yield name


def put(path: Path, content: bytes) -> None:
    """Write the content to disk atomically. Raises OSError."""
    path.parent.mkdir(exist_ok=True)
    atomic_file.put(path, content)
