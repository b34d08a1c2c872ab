# SPDX-License-Identifier: MIT
"""Files that lie beside the run log and belong to it: photos and documents by the hash of their
content, and a job's checks by hand."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Iterator
from pathlib import Path

FOLDER, JOBS = "files", "jobs"
_OURS = re.compile(r"files/[0-9a-f]{64}|jobs/[1-9][0-9]{0,9}\.checks\.toml")


def hash_of(content: bytes) -> str:
    """SHA-256 of a content, by which it is kept."""
    return hashlib.sha256(content).hexdigest()


def path_of(log_path: Path, content_hash: str) -> Path:
    """Where the content of this hash lies."""
    return log_path.parent / FOLDER / content_hash


def checks_path(log_path: Path, job: int) -> Path:
    """Where the checks by hand of job number `job` are kept."""
    return log_path.parent / JOBS / f"{job}.checks.toml"


def is_one(name: str) -> bool:
    """Whether this is the name, from the log's folder, of a file that belongs to a log."""
    return _OURS.fullmatch(name) is not None


def beside(log_path: Path) -> Iterator[str]:
    """The names, from the log's folder, of all files that belong to it."""
    for folder in (FOLDER, JOBS):
        for path in sorted((log_path.parent / folder).glob("*")):
            name = f"{folder}/{path.name}"
            if is_one(name) and path.is_file():
                yield name


def put(path: Path, content: bytes) -> None:
    """Write a content to the disk, in whole or not at all. Raises OSError."""
    path.parent.mkdir(exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    synced(path.parent)


def synced(folder: Path) -> None:
    """What was renamed in this folder outlasts a power cut, where its file system can do that."""
    with contextlib.suppress(OSError):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
