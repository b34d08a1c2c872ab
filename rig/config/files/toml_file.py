# SPDX-License-Identifier: MIT
"""Read a file from disk into its tables and keys, or the single problem with it."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from dataclasses import dataclass, field

from rig.core.errors import Problem
from rig.core.json_values import JsonObject

LARGEST_BYTES = 65_536
"""A setup is a few kilobytes; anything far larger is another kind of file."""


@dataclass(frozen=True)
class Parsed:
    """The text of a file and its tables and keys, or the problem that hides all others."""

    name: str
    text: str = ""
    data: JsonObject = field(default_factory=dict)
    problem: Problem | None = None


def plain(text: str) -> str:
    """`text` with everything that a terminal might interpret replaced by its escape."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode()
        for c in text
    )


def parse_file(path: str | os.PathLike[str]) -> Parsed:
    """Read a TOML file. Never raises, whatever the file is."""
    name = plain(os.fsdecode(path))
    try:
        data = _bytes(path)
    except FileNotFoundError:
        return _refused(name, "There is no such file.", "Check the name and the folder.")
    except (OSError, ValueError) as error:
        reason = plain(getattr(error, "strerror", None) or str(error))
        return _refused(name, f"The file cannot be read: {reason}.", "Check who may read it.")
    if data is None:
        return _refused(name, "This is a folder or a device.", "Give the name of a file.")
    if len(data) > LARGEST_BYTES:
        return _too_large(name)
    try:
        return parse_text(data.decode("utf-8-sig"), name)  # some editors prepend a mark
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        what = f"The text is not UTF-8; the first byte that cannot be read is in line {line}."
        return _refused(name, what, "Save the file as UTF-8 in the editor.")


def parse_text(text: str, name: str) -> Parsed:
    """Parse the text of a TOML file. Never raises, whatever the text is."""
    if len(text.encode("utf-8", "surrogatepass")) > LARGEST_BYTES:
        return _too_large(name)
    try:
        return Parsed(name, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        return Parsed(name, text, problem=_syntax(name, text, str(error)))
    except (ValueError, RecursionError):  # numbers of thousands of digits, unlimited nesting
        return _refused(name, "This is not a setup or sheet.", "Give the right file.")


def _bytes(path: str | os.PathLike[str]) -> bytes | None:
    """At most one byte more than allowed; None if it is not a regular file."""
    # Plain open() would block for ever on a named pipe without a writer.
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            return None
        data = b""
        while len(data) <= LARGEST_BYTES:
            piece = os.read(descriptor, LARGEST_BYTES + 1 - len(data))
            if not piece:
                break
            data += piece
        return data
    finally:
        os.close(descriptor)


def _refused(name: str, what: str, remedy: str) -> Parsed:
    return Parsed(name, problem=Problem(name, "", "", what, remedy))


def _too_large(name: str) -> Parsed:
    what = f"The file has more than {LARGEST_BYTES // 1024} KiB; a setup or sheet is far smaller."
    return _refused(name, what, "Give the right file.")


_POSITION = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
_BARE_VALUE = re.compile(r"""=\s*[^\s"'\[{#]""")


def _syntax(name: str, text: str, message: str) -> Problem:
    """A syntax error of the file, with its line."""
    at = _POSITION.search(message)
    reason = plain(message[: at.start()] if at else message)
    lines = text.replace("\r\n", "\n").split("\n")
    number, column = len(lines), len(lines[-1]) + 1  # the end of the document
    if at is not None and at.group(1):
        number, column = int(at.group(1)), int(at.group(2))
    line = plain(lines[number - 1].strip())[:100] if 0 < number <= len(lines) else ""
    if reason.startswith(("Cannot ", "Duplicate ")):
        reason, remedy = "The same name is given twice", "Take one of the two out."
    elif _BARE_VALUE.search(line):
        remedy = 'Write texts and quantities between quotes, like fuse = "5 A".'
    else:
        remedy = "Correct this line; a line is [table], or key = value, or # and a remark."
    where = f"line {number}, column {column}"
    return Problem(name, where, "", f"{reason}: {line}" if line else f"{reason}.", remedy)
