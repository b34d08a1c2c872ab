# SPDX-License-Identifier: MIT
"""The raw file of a run: append-only text, one record and its checksum per line.

A line is eight hexadecimal digits, a space, and the record (or, first, the run's header) as JSON.
The digits are the CRC-32 (zlib) of the text, seeded with the CRC of the line before it: this
reveals a changed line, and also a line that was removed, duplicated or moved. A damaged line does
not make later lines unreadable, because the check continues from the written digits.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import json
import os
import re
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
    """Start time and the beginning of the run's uid, so that names sort and never collide."""
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
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
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
        """Append all the lines, given without newlines, or none."""
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
            with contextlib.suppress(OSError):  # remove the part of a line that was written
                os.ftruncate(self._fd, self._good_bytes)
            raise plain_storage_error(self.path, error) from error
        self._crc = crc
        self._good_bytes += written

    def read_back(self) -> list[bytes]:
        """The lines appended so far, without newline, even if the file was removed in the meantime.
        Raises OSError if the disk no longer returns them."""
        blocks, at = [], 0
        while at < self._good_bytes:
            block = os.pread(self._fd, min(1 << 20, self._good_bytes - at), at)
            if not block:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            blocks.append(block)
            at += len(block)
        return [line[_PREFIX:] for line in b"".join(blocks).splitlines()[1:]]

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
    """Lines of a raw file that do not match their checksum. `line` is the first of them, from 1.

    `cut` is the normal tail of a file whose writer died: one last line without its end. Otherwise
    `bad` records, or possible records, were skipped; all others were read.
    """

    line: int
    cut: bool
    bad: int

    def __str__(self) -> str:
        if self.cut:
            return f"line {self.line}, the last, is incomplete; everything before it is intact"
        first = "is the first line that does not fit its checksum"
        return f"line {self.line} {first}; {self.bad} were left out, every other one was read"


class RawReader:
    """Read every record of a raw file that matches its checksum, also after damaged lines.

    `header` is available at once: None if the first line is damaged beyond reading. If it can be
    read but does not match its checksum, `header_doubtful` is set. A file with neither a header nor
    one good record is refused (StorageError). `lines()` yields the good records in order as text
    without newline; afterwards `damage` says what was skipped, and `count` how many records the
    file held, as far as can be determined.

    A record is good if its text matches its checksum, seeded with that of the line before: either
    as written there, or as computed from that line's text.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage: Damage | None = None
        self.count = 0
        self.header: RunHeader | None = None
        self.header_doubtful = False
        with self._open() as file:
            line = file.readline(MAX_LINE_BYTES)
        why = "no header"
        try:
            text = line[_PREFIX:].decode("latin-1")  # the header's JSON is ASCII
            first, end = json.JSONDecoder().raw_decode(text)
            if first["raw_file"] != VERSION:
                raise ValueError(f"version {first['raw_file']!r:.20}")
            self.header = RunHeader.from_json(json.dumps(first["header"]))
            digits = b"%08x " % zlib.crc32(line[_PREFIX : _PREFIX + end])
            self.header_doubtful = line[:_PREFIX] != digits
        except (KeyError, TypeError, ValueError, RecursionError) as error:
            why = str(error)
        if self.header is None and next(self.lines(), None) is None:
            raise StorageError(
                f"{path} is not a raw file of this program, or its first line is damaged ({why})."
            )

    def _open(self) -> BinaryIO:
        try:
            return self.path.open("rb")
        except OSError as error:
            raise StorageError(f"{self.path} cannot be read: {error.strerror}.") from error

    def lines(self) -> Iterator[bytes]:
        self.damage, self.count = None, 0
        good_header = self.header is not None and not self.header_doubtful
        first_bad, bad, cut = 0 if good_header else 1, 0, False
        with self._open() as file:
            chain = _Chain()
            header = file.readline(MAX_LINE_BYTES)
            chain.follow(header)
            behind = [found.start() for found in _START.finditer(header)]
            if behind:  # the header's own newline is damaged, or the header lost its beginning
                yield from self._counted(chain.within(header[behind[0] :]))
                first_bad, bad = 1, chain.bad
            number = 1
            while line := file.readline(MAX_LINE_BYTES):
                number += 1
                good = chain.whole(line)
                if good is not None:
                    self.count += 1
                    yield good
                    continue
                first_bad = first_bad or number
                cut = not line.endswith(b"\n") and number == first_bad
                yield from self._counted(chain.within(line))
                bad += chain.bad
        if first_bad:
            self.damage = Damage(first_bad, cut, bad)
            self.count += 0 if cut else bad

    def _counted(self, texts: Iterator[bytes]) -> Iterator[bytes]:
        for text in texts:
            self.count += 1
            yield text


_START = re.compile(rb"[0-9a-f]{8} (?=\[\")")
"""The beginning of a record's line. A damaged newline hides it inside another line."""


def _first_json(text: bytes) -> bytes:
    """Extract the JSON at the start of `text`: something other than a newline may follow it."""
    with contextlib.suppress(ValueError, RecursionError):
        return text[: json.JSONDecoder().raw_decode(text.decode("latin-1"))[1]]
    return b""


_DIGITS = re.compile(rb"[0-9a-f]{8}")
_BEFORE_MOST, _COMPUTED_MOST = 32, 4


class _Chain:
    """Checksums from which the next line may continue, and the good part of a damaged line."""

    def __init__(self) -> None:
        self._written: list[int] = [0]
        self._computed: dict[int, bytes] = {}  # of texts confirmed if the next line continues
        self.bad = 0

    def whole(self, line: bytes) -> bytes | None:
        """The text of a complete line that matches; the usual case."""
        text = line[_PREFIX:-1]
        for before in self._written:
            crc = zlib.crc32(text, before)
            if line == b"%08x %b\n" % (crc, text):
                self._good(crc)
                return text
        return None

    def _good(self, crc: int) -> None:
        self._written, self._computed = [crc], {}

    def within(self, line: bytes) -> Iterator[bytes]:
        """Yield the good texts in a line that is not simply whole. `bad` counts the others."""
        self.bad = 0
        starts = [found.start() for found in _START.finditer(line)]
        if not starts or starts[0] > 0:
            self.follow(line[: starts[0]] if starts else line)
            self.bad += 1
        for start, end in itertools.pairwise([*starts, len(line)]):
            piece = line[start:end]
            found = self._fits(piece)
            if found is None:
                self.follow(piece)
                self.bad += 1
                continue
            before, crc, text = found
            earlier = self._computed.get(before) if before not in self._written else None
            if earlier:  # only its digits were damaged: this line shows it
                self.bad -= 1
                yield earlier
            self._good(crc)
            yield text

    def _fits(self, piece: bytes) -> tuple[int, int, bytes] | None:
        digits = int(piece[: _PREFIX - 1], 16)
        for text in (piece[_PREFIX:-1], piece[_PREFIX:], _first_json(piece[_PREFIX:])):
            for before in (*self._written, *self._computed):
                if zlib.crc32(text, before) == digits:
                    return before, digits, text
        return None

    def follow(self, piece: bytes) -> None:
        """Accept a line that does not match as one from which the next may continue."""
        text = piece.rstrip(b"\n")[_PREFIX:]
        if not text.startswith(b"{"):
            text = piece.rstrip(b"\n")[piece.find(b'["') :] if b'["' in piece else b""
        if text:
            record = text if text.startswith(b"[") else b""
            for before in self._written[-_COMPUTED_MOST:]:
                self._computed[zlib.crc32(text, before)] = record
            for old in list(self._computed)[:-_BEFORE_MOST]:
                del self._computed[old]
        if _DIGITS.match(piece):
            self._written = [*self._written, int(piece[: _PREFIX - 1], 16)][-_BEFORE_MOST:]
