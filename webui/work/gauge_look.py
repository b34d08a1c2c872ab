# SPDX-License-Identifier: MIT
"""One gauge search on a serial port, for the page, in its own process: its output so far."""

from __future__ import annotations

import json
import subprocess
import threading
from typing import IO, NamedTuple

from flask import Flask

from webui.work import children

HEARD_MOST = 4000
"""Number of newest characters received that are kept for display."""
SAID_MOST = 60


class Seen(NamedTuple):
    """State of a search. `heard` are bytes as text, control characters by name."""

    port: str = ""
    looks: bool = False
    said: tuple[str, ...] = ()
    heard: str = ""
    question: str = ""
    table: str = ""
    words: tuple[str, ...] = ()
    wrong: str = ""


class GaugeLook:
    """At most one search at a time; a new one replaces it."""

    def __init__(self) -> None:
        self._turn = threading.Lock()  # over the whole of a begin and an end: two at once would
        # leave a process that nobody ends, holding the port
        self._lock = threading.Lock()
        self._process: subprocess.Popen[str] | None = None
        self._reader: threading.Thread | None = None
        self._seen = Seen()

    def begin(self, port: str, *, may_ask: bool) -> None:
        """Search a port."""
        with self._turn:
            self._end()
            self._begin(port, may_ask=may_ask)

    def _begin(self, port: str, *, may_ask: bool) -> None:
        process = children.start("rig.actions.find_for_page", port, *["--ask"] * may_ask)
        reader = threading.Thread(target=self._read, args=(process.stdout,), daemon=True)
        with self._lock:
            self._process, self._reader = process, reader
            self._seen = Seen(port, looks=True)
            reader.start()

    def seen(self) -> Seen:
        """Its output so far."""
        with self._lock:
            return self._seen

    def end(self) -> None:
        """Stop searching and free the port. What was found stays."""
        with self._turn:
            self._end()

    def _end(self) -> None:
        with self._lock:
            process, reader = self._process, self._reader
            self._process = self._reader = None
        if process is None or reader is None:
            return
        process.kill()
        reader.join()
        children.end(process)

    close = end

    def _read(self, out: IO[str]) -> None:
        for line in out:
            told = json.loads(line)
            with self._lock:
                self._seen = _with(self._seen, told)
        with self._lock:
            seen = self._seen._replace(looks=False)
            if not (seen.table or seen.question or seen.wrong):
                seen = seen._replace(wrong="It was stopped before anything was understood.")
            self._seen = seen


def _with(seen: Seen, told: dict[str, object]) -> Seen:
    """The search with one more message added (rig.actions.find_for_page)."""
    match told:
        case {"said": str(text)}:
            return seen._replace(said=(*seen.said, text)[-SAID_MOST:])
        case {"heard": str(text)}:
            return seen._replace(heard=(seen.heard + text)[-HEARD_MOST:])
        case {"question": str(text)}:
            return seen._replace(question=text)
        case {"found": {"table": str(table), "words": list(words)}}:
            return seen._replace(looks=False, table=table, words=tuple(map(str, words)))
        case {"wrong": str(text)}:
            return seen if seen.question else seen._replace(wrong=text)
    return seen


def install(app: Flask) -> None:
    """The page's one search."""
    app.extensions["gauge_look"] = GaugeLook()
