# SPDX-License-Identifier: MIT
"""Lessons being shared: where the instructor stands, and what the class guessed."""

from __future__ import annotations

import secrets
import threading
import time
from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from webui.faults import PageFault
from webui.lessons.guesses import Guess, Guesses

MOST = 8
IDLE_S = 3 * 3600.0

Milliseconds = Annotated[float, Field(ge=-1e7, le=1e7, allow_inf_nan=False)]
Stroke = Annotated[int, Field(ge=1, le=2**31 - 1)]


class Position(BaseModel):
    """The instructor's position: sent as a query, followed by the class. `tally`: the guesses are
    shown before the answer."""

    model_config = ConfigDict(extra="forbid")
    stroke: Stroke = 1
    way: Literal["on", "off"] = "on"
    at_ms: Milliseconds = 0.0
    slower: Annotated[int, Field(ge=1, le=1000)] = 100
    playing: bool = False
    revealed: bool = False
    model: bool = False
    tally: bool = False


@dataclass
class Lesson:
    """A shared lesson: only the holder of the key can move it. `question` counts the questions."""

    run: int
    key: str
    whole_page: bool = False
    position: Position = field(default_factory=Position)
    since_s: float = field(default_factory=time.monotonic)
    version: int = 0
    question: int = 1
    guesses: Guesses = field(default_factory=Guesses)


class Lessons:
    """A bounded set of lessons, deleted after hours without a move."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[str, Lesson] = {}

    def share(self, run: int, *, whole_page: bool = False) -> tuple[str, Lesson]:
        """Create a lesson and its code. Raises PageFault if there are too many."""
        with self._lock:
            now = time.monotonic()
            self._kept = {c: one for c, one in self._kept.items() if now - one.since_s < IDLE_S}
            if len(self._kept) >= MOST:
                raise PageFault(
                    429, "Too many lessons", f"{MOST} lessons are being shared already.",
                    "End one, or start rig serve again.",
                )  # fmt: skip
            code = secrets.token_urlsafe(6)
            self._kept[code] = Lesson(run, secrets.token_urlsafe(18), whole_page)
            return code, self._kept[code]

    def turn_to(self, lesson: Lesson, run: int, *, whole_page: bool = False) -> None:
        """Continue the same class with another run, from its first stroke: a new question."""
        with self._lock:
            if lesson.run != run:
                lesson.run, lesson.position = run, Position()
                lesson.question += 1
                lesson.guesses.forget()
            lesson.whole_page, lesson.since_s = whole_page, time.monotonic()
            lesson.version += 1

    def of(self, code: str) -> Lesson:
        """The lesson with this code; a plain 404 if it is over."""
        with self._lock:
            found = self._kept.get(code)
            if found is not None and time.monotonic() - found.since_s >= IDLE_S:
                del self._kept[code]  # its guesses are deleted too
                found = None
        if found is None:
            raise PageFault(
                404, "This lesson is over", "Nobody shares a lesson under this address.",
                "Ask for the code that is on the wall now.",
            )  # fmt: skip
        return found

    def move(self, lesson: Lesson, position: Position) -> None:
        """Move to the instructor's position; another stroke, or hiding the answer again, starts a
        new question."""
        with self._lock:
            before = lesson.position
            if (before.stroke, before.way) != (position.stroke, position.way) or (
                before.revealed and not position.revealed
            ):
                lesson.question += 1
                lesson.guesses.forget()
            lesson.position, lesson.since_s = position, time.monotonic()
            lesson.version += 1

    def guess(
        self, lesson: Lesson, phone: str, question: int, guess: Guess, address: str = ""
    ) -> int:
        """Record a phone's guess; return how many there are. Raises PageFault if it is too late."""
        with self._lock:
            if question != lesson.question:
                raise PageFault(
                    409, "That question is over", "Another one is asked by now.",
                    "Guess again: this page shows the new one.",
                )  # fmt: skip
            if lesson.position.revealed:
                raise PageFault(
                    409, "Too late", "The answer is shown already.", "Wait for the next question."
                )
            return lesson.guesses.take(phone, guess, address)

    def end(self, code: str) -> None:
        """End the lesson."""
        with self._lock:
            self._kept.pop(code, None)
