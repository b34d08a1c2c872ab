# SPDX-License-Identifier: MIT
"""The raw file of a run: append-only text, one record a line, each line with its checksum.

A line is eight hexadecimal digits, a space, and the record (or, first, the run's header) as JSON.
The digits are the CRC-32 (zlib) of the text, begun from the CRC of the line before it: so a
changed line shows, and a line that was removed, doubled or moved shows too. A line that is wrong
does not make the lines after it unreadable, because the check goes on from the written digits.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from rig.core.errors import StorageError
from rig.runlog.header import RunHeader

VERSION = 1
MAX_LINE_BYTES = 4 << 20
_PREFIX = 9  # digits and space

_WORDS = {
    errno.ENOSPC: "the disk is full. Free some space, then start again",
    errno.EDQUOT: "your share of the disk is used up. Free some space, then start again",
    errno.EFBIG: "a limit on the size of files was reached (ulimit -f). Raise it, then start again",
    errno.EROFS: "the disk is mounted read-only. Remount it or point RIG_DATA elsewhere",
    errno.EACCES: "permission is refused. Check who owns its folder",
    errno.EPERM: "permission is refused. Check who owns its folder",
    errno.ENOENT: "its folder is not there (any more). Make it, or point RIG_DATA elsewhere",
    errno.EEXIST: "a file of that name is there already, and raw files are never written over",
    errno.EIO: "the disk failed. Look at the kernel's messages (dmesg); replace the card or disk",
}


def plain_storage_error(path: Path, error: OSError) -> StorageError:
    """`error` of the raw file at `path` in plain words."""
    words = _WORDS.get(error.errno or 0, f"{error.strerror or error}")
    return StorageError(f"The raw file {path} cannot be written: {words}.")


def raw_file_name(header: RunHeader) -> str:
    """Start time and the beginning of the run's uid, so that names sort and never meet."""
    started = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(header.wall.utc_s))
    return f"{started}-{header.uid[:8]}.raw"


class RawFile:
    """A raw file open for appending. Every method raises StorageError with plain words.

    `append` hands the lines to the kernel (they survive the death of this process), `sync` to the
    disk (they survive a power cut).
    """

    def __init__(self, path: Path, header: RunHeader) -> None:
        self.path = path
        self._crc = 0
        self._good_bytes = 0
        try:
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
        except OSError as error:
            raise plain_storage_error(path, error) from error
        try:
            first = json.dumps({"raw_file": VERSION, "header": json.loads(header.to_json())})
            self.append([first.encode()])
            os.fsync(self._fd)
            folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            self.discard()
            if isinstance(error, StorageError):
                raise
            raise plain_storage_error(path, error) from error

    def append(self, lines: Sequence[bytes]) -> None:
        """Append lines given without their newline. All of them, or none."""
        crc, out = self._crc, []
        for line in lines:
            crc = zlib.crc32(line, crc)
            out.append(b"%08x %b\n" % (crc, line))
        data = memoryview(b"".join(out))
        written = 0
        try:
            while written < len(data):
                written += os.write(self._fd, data[written:])
        except OSError as error:
            with contextlib.suppress(OSError):  # take back the part of a line that went in
                os.ftruncate(self._fd, self._good_bytes)
            raise plain_storage_error(self.path, error) from error
        self._crc = crc
        self._good_bytes += written

    def sync(self) -> None:
        """Return once everything appended is on the disk."""
        try:
            os.fdatasync(self._fd)
        except OSError as error:
            raise plain_storage_error(self.path, error) from error

    def close(self) -> None:
        """Idempotent."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def discard(self) -> None:
        """Close and remove the file of a run that did not begin."""
        self.close()
        self.path.unlink(missing_ok=True)


@dataclass(frozen=True)
class Damage:
    """The first line of a raw file that does not fit its checksum. `line` counts from 1.

    `cut` is the normal tail of a file whose writer died: a last line without its end. Otherwise
    a whole line is wrong; `lines_after` follow it and were not read.
    """

    line: int
    cut: bool
    lines_after: int

    def __str__(self) -> str:
        if self.cut:
            return f"line {self.line}, the last, is incomplete; everything before it is intact"
        return (
            f"line {self.line} does not fit its checksum; everything before it is intact, "
            f"{self.lines_after} lines after it were not read"
        )


class RawReader:
    """Reads a raw file up to its first damaged line.

    `header` is there at once (StorageError where even that is damaged). `lines()` gives the intact
    records as text without newline; afterwards `damage` says what stopped it, None at a clean end.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage: Damage | None = None
        with self._open() as file:
            line = self._intact(file.readline(MAX_LINE_BYTES), 0)
        try:
            first = json.loads(line or b"")
            if first["raw_file"] != VERSION:
                raise ValueError(f"version {first['raw_file']!r:.20}")
            self.header = RunHeader.from_json(json.dumps(first["header"]))
        except (KeyError, TypeError, ValueError) as error:
            raise StorageError(
                f"{path} is not a raw file of this program, or its first line is damaged ({error})."
            ) from error

    def _open(self) -> BinaryIO:
        try:
            return self.path.open("rb")
        except OSError as error:
            raise StorageError(f"{self.path} cannot be read: {error.strerror}.") from error

    @staticmethod
    def _intact(line: bytes, crc: int) -> bytes | None:
        """The text of a whole line that fits its checksum, begun from `crc`."""
        text = line[_PREFIX:-1]
        return text if line == b"%08x %b\n" % (zlib.crc32(text, crc), text) else None

    def lines(self) -> Iterator[bytes]:
        with self._open() as file:
            crc = int(file.readline(MAX_LINE_BYTES)[: _PREFIX - 1], 16)
            number = 1
            while line := file.readline(MAX_LINE_BYTES):
                number += 1
                text = self._intact(line, crc)
                if text is None:
                    cut = not line.endswith(b"\n")
                    self.damage = Damage(number, cut, sum(1 for _ in file))
                    return
                crc = int(line[: _PREFIX - 1], 16)
                yield text
