# SPDX-License-Identifier: MIT
"""Exercises and their seats in one file beside the run log, `exercises.sqlite`.

Every change is one short, synced transaction, so that a restart of the page loses nothing. The
numbers of exercises, seats and bytes are limited. What is forgotten is overwritten (secure_delete):
a nickname leaves no trace in the file.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import itertools
import secrets
import sqlite3
import time
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from rig.actions.exercise.draw import drawn_seat
from rig.actions.exercise.model import Plan, Seat
from rig.core.errors import StorageError, UsageError
from rig.runlog.engine import connect, plainly
from rig.runlog.rows import StoredRun

FILE = "exercises.sqlite"
EXERCISES_MOST, SEATS_MOST = 4, 40
LONGEST_NAME, MARKS_MOST = 30, 3
"""Limits for a nickname, and for marks on one letter: no script needs more, and they cover the next
line."""
SEAT_BYTES = 1 << 20
"""Limit for one seat with all its runs; twelve runs take some 100 KB."""
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Letters of a code: those not confused with digits."""
CODE_LENGTH = 6
FORM = 1
FREE = ""
"""In place of a key's hash: no key opens the seat."""
BUSY_S = 10.0
"""Wait for another seat's change: the review takes a small board a second."""

TABLES = """
CREATE TABLE exercises (
    id INTEGER PRIMARY KEY AUTOINCREMENT, code TEXT NOT NULL UNIQUE, begun_utc_s REAL NOT NULL,
    ended_utc_s REAL, plan TEXT NOT NULL, reference_run INTEGER
) STRICT;
CREATE TABLE seats (
    id INTEGER PRIMARY KEY AUTOINCREMENT, exercise_id INTEGER NOT NULL REFERENCES exercises (id),
    number INTEGER NOT NULL, name TEXT NOT NULL, key_hash TEXT NOT NULL, seat TEXT NOT NULL,
    UNIQUE (exercise_id, number)
) STRICT;
CREATE TABLE hidden_runs (
    uid TEXT PRIMARY KEY, seat_id INTEGER NOT NULL REFERENCES seats (id)
) STRICT;
"""


class Exercise(NamedTuple):
    """An exercise in its current state. `ended_utc_s`: when the truth was shown to all, None until
    then; `reference_run`: the run of the rig without its fault, None if there is none yet."""

    id: int
    code: str
    begun_utc_s: float
    ended_utc_s: float | None
    plan: Plan
    reference_run: int | None


class Seated(NamedTuple):
    """A seat of an exercise; `number` from 1, `name` as typed."""

    id: int
    exercise_id: int
    number: int
    name: str
    seat: Seat


class Exercises:
    """The file at `path`, opened for each query; created by the first exercise.

    Every method raises StorageError in plain words if the disk refuses.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    @classmethod
    def beside(cls, log_path: Path) -> Exercises:
        """The exercises of a run log."""
        return cls(log_path.parent / FILE)

    @contextlib.contextmanager
    def _open(self, *, write: bool) -> Iterator[sqlite3.Connection]:
        with (
            plainly(self._path),
            contextlib.closing(connect(self._path, write=write, busy_s=BUSY_S)) as opened,
        ):
            opened.execute("PRAGMA secure_delete = ON")
            opened.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            (form,) = opened.execute("PRAGMA user_version").fetchone()
            if form not in (0, FORM):
                raise StorageError(
                    f"{self._path} was written by another version of this program. Nothing was "
                    "changed. Update this program, or move the file away."
                )
            if write and not form:
                for statement in TABLES.split(";"):
                    opened.execute(statement)
                opened.execute(f"PRAGMA user_version = {FORM}")
            try:
                yield opened
            except BaseException:
                opened.execute("ROLLBACK")
                raise
            opened.execute("COMMIT")

    # -- exercises

    def begin(self, plan: Plan) -> Exercise:
        """Begin a new one. Raises UsageError if there are too many."""
        with self._open(write=True) as opened:
            (there,) = opened.execute("SELECT count(*) FROM exercises").fetchone()
            if there >= EXERCISES_MOST:
                raise UsageError(
                    f"There are {EXERCISES_MOST} exercises already. Forget one of them first."
                )
            code = "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))
            made = opened.execute(
                "INSERT INTO exercises (code, begun_utc_s, plan) VALUES (?, ?, ?)",
                (code, time.time(), plan.model_dump_json()),
            )
            return self._exercise(opened, "id", made.lastrowid)

    def all(self) -> list[Exercise]:
        """Every exercise, newest first."""
        if not self._path.exists():
            return []
        with self._open(write=False) as opened:
            rows = opened.execute("SELECT * FROM exercises ORDER BY id DESC").fetchall()
        return [_exercise(row) for row in rows]

    def one(self, number: int) -> Exercise:
        """Raises UsageError if there is none with this number."""
        return self._one("id", number)

    def of_code(self, code: str) -> Exercise:
        """Raises UsageError if no exercise has this code."""
        return self._one("code", "".join(code.split()).upper())

    def _one(self, column: str, value: object) -> Exercise:
        if not self._path.exists():
            raise UsageError(NO_EXERCISE)
        with self._open(write=False) as opened:
            return self._exercise(opened, column, value)

    def _exercise(self, opened: sqlite3.Connection, column: str, value: object) -> Exercise:
        row = opened.execute(
            f"SELECT * FROM exercises WHERE {column} = ?",  # noqa: S608 - our own names
            (value,),
        ).fetchone()
        if row is None:
            raise UsageError(NO_EXERCISE)
        return _exercise(row)

    def refer(self, number: int, run: int) -> None:
        """Set the run of the rig without its fault."""
        with self._open(write=True) as opened:
            opened.execute("UPDATE exercises SET reference_run = ? WHERE id = ?", (run, number))

    def end(self, number: int) -> None:
        """Show the truth to all; no more work is done on its rigs."""
        with self._open(write=True) as opened:
            opened.execute(
                "UPDATE exercises SET ended_utc_s = coalesce(ended_utc_s, ?) WHERE id = ?",
                (time.time(), number),
            )

    def forget(self, number: int) -> None:
        """Delete names, paths and code. The runs stay in the log."""
        if not self._path.exists():
            return
        with self._open(write=True) as opened:
            seats = "SELECT id FROM seats WHERE exercise_id = ?"
            opened.execute(f"DELETE FROM hidden_runs WHERE seat_id IN ({seats})", (number,))  # noqa: S608 - no words of a person
            opened.execute("DELETE FROM seats WHERE exercise_id = ?", (number,))
            opened.execute("DELETE FROM exercises WHERE id = ?", (number,))

    # -- seats

    def take_seat(self, code: str, name: str) -> tuple[Seated, str]:
        """Take a new seat, or a freed one of this name; also returns the key that opens it. Raises
        UsageError."""
        name = _plain_name(name)
        exercise = self.of_code(code)
        if exercise.ended_utc_s is not None:
            raise UsageError("This exercise is over. Ask for the code of the next one.")
        key = secrets.token_urlsafe(18)
        with self._open(write=True) as opened:
            rows = opened.execute(
                "SELECT number, name, id, key_hash FROM seats WHERE exercise_id = ?", (exercise.id,)
            ).fetchall()
            same = next((row for row in rows if row[1].casefold() == name.casefold()), None)
            if same is not None and same[3] != FREE:
                raise UsageError(
                    f'"{name}" is taken in this exercise. Choose another name; if it is your own '
                    "seat, ask the instructor to free it."
                )
            if sum(row[3] != FREE for row in rows) >= SEATS_MOST:
                raise UsageError(f"All {SEATS_MOST} seats are taken: look on with a neighbour.")
            if same is not None:
                opened.execute("UPDATE seats SET key_hash = ? WHERE id = ?", (_hash(key), same[2]))
                found = self._seated(opened, same[2])
                assert found is not None  # noqa: S101 - just read
                return found, key
            number = 1 + max((row[0] for row in rows), default=0)
            seat = drawn_seat(exercise.plan, number)
            made = opened.execute(
                "INSERT INTO seats (exercise_id, number, name, key_hash, seat) "
                "VALUES (?, ?, ?, ?, ?)",
                (exercise.id, number, name, _hash(key), seat.model_dump_json()),
            )
            found = self._seated(opened, int(made.lastrowid or 0))
        assert found is not None  # noqa: S101 - just written
        return found, key

    def free(self, exercise: int, number: int) -> None:
        """Revoke the key of a seat. A seat where nothing was done is deleted; another can be taken
        again, with its work, under its name. Its runs stay hidden."""
        with self._open(write=True) as opened:
            opened.execute(
                "UPDATE seats SET key_hash = ? WHERE exercise_id = ? AND number = ?",
                (FREE, exercise, number),
            )
            rows = opened.execute(
                "SELECT id, exercise_id, number, name, seat FROM seats "
                "WHERE exercise_id = ? AND number = ?",
                (exercise, number),
            ).fetchall()
            for one in map(_seated, rows):
                if not one.seat.uids and not one.seat.steps and one.seat.committed is None:
                    opened.execute("DELETE FROM seats WHERE id = ?", (one.id,))

    def opened_by(self, key: str) -> Seated | None:
        """The seat of a key, "number.secret"; None if there is none or no longer one."""
        number, _, secret = key.partition(".")
        if not number.isascii() or not number.isdigit() or len(number) > 9:
            return None
        if not self._path.exists():
            return None
        with self._open(write=False) as opened:
            row = opened.execute(
                "SELECT key_hash FROM seats WHERE id = ?", (int(number),)
            ).fetchone()
            if row is None or not hmac.compare_digest(row[0], _hash(secret)):
                return None
            return self._seated(opened, int(number))

    def seats(self, exercise: int) -> list[Seated]:
        """The seats of an exercise, in order of arrival."""
        with self._open(write=False) as opened:
            rows = opened.execute(
                "SELECT id, exercise_id, number, name, seat FROM seats WHERE exercise_id = ? "
                "ORDER BY number",
                (exercise,),
            ).fetchall()
        return [_seated(row) for row in rows]

    @contextlib.contextmanager
    def changing(self, seat_id: int) -> Iterator[Seated]:
        """The seat, stored at the end; unchanged if an error is raised.

        Raises UsageError if the seat was forgotten, or has grown too large.
        """
        with self._open(write=True) as opened:
            found = self._seated(opened, seat_id)
            if found is None:
                raise UsageError(NO_EXERCISE)
            yield found
            text = found.seat.model_dump_json()
            if len(text) > SEAT_BYTES:
                raise UsageError("This seat has done as much as can be kept: commit to a cause.")
            opened.execute("UPDATE seats SET seat = ? WHERE id = ?", (text, seat_id))
            for uid in found.seat.uids:
                opened.execute("INSERT OR IGNORE INTO hidden_runs VALUES (?, ?)", (uid, seat_id))

    def _seated(self, opened: sqlite3.Connection, seat_id: int) -> Seated | None:
        row = opened.execute(
            "SELECT id, exercise_id, number, name, seat FROM seats WHERE id = ?", (seat_id,)
        ).fetchone()
        return None if row is None else _seated(row)

    # -- what is hidden

    def hides(self, uid: str, viewer: int | None = None) -> bool:
        """Whether the truth of the run `uid` is still to be found. `viewer` is the seat that asks:
        it may see its own once it has committed, if the plan says so."""
        if not self._path.exists():
            return False
        with self._open(write=False) as opened:
            row = opened.execute(
                "SELECT seats.id, exercises.ended_utc_s, exercises.plan, seats.seat "
                "FROM hidden_runs JOIN seats ON seats.id = hidden_runs.seat_id "
                "JOIN exercises ON exercises.id = seats.exercise_id WHERE uid = ?",
                (uid,),
            ).fetchone()
        if row is None or row[1] is not None:
            return False
        return row[0] != viewer or not sees_truth(
            Plan.model_validate_json(row[2]), Seat.model_validate_json(row[3]), ended=False
        )

    def without_seed(self, stored: StoredRun, viewer: int | None = None) -> StoredRun:
        """A run as it may be shown, without the seed of a hidden fault: with it, simulating every
        cause would find the recording that is identical to the nanosecond."""
        if stored.header.source != "simulated" or not self.hides(stored.header.uid, viewer):
            return stored
        facts = {name: value for name, value in stored.header.hardware.items() if name != "seed"}
        return replace(stored, header=replace(stored.header, seed=None, hardware=facts))


NO_EXERCISE = (
    "There is no exercise of this code, or it was forgotten. Ask for the code on the wall."
)


def sees_truth(plan: Plan, seat: Seat, *, ended: bool) -> bool:
    """Whether a seat may see the truth."""
    return ended or (seat.committed is not None and plan.truth_at == "commit")


def _exercise(row: tuple[int, str, float, float | None, str, int | None]) -> Exercise:
    number, code, begun, ended, plan, reference = row
    return Exercise(number, code, begun, ended, Plan.model_validate_json(plan), reference)


def _seated(row: tuple[int, int, int, str, str]) -> Seated:
    return Seated(*row[:4], Seat.model_validate_json(row[4]))


def _plain_name(typed: str) -> str:
    """Unify letters that look alike (Unicode Standard Annex 15, NFKC), so that a name is taken only
    once, and remove what would reverse or cover neighbouring lines."""
    name = " ".join(unicodedata.normalize("NFKC", typed).split())
    marks = itertools.groupby(name, lambda letter: unicodedata.category(letter).startswith("M"))
    piled = any(is_mark and len(list(group)) > MARKS_MOST for is_mark, group in marks)
    if not name or len(name) > LONGEST_NAME or not name.isprintable() or piled:
        raise UsageError(
            f"Write a nickname or a seat number: at most {LONGEST_NAME} letters, digits and signs, "
            "all of them to be seen."
        )
    return name


def _hash(secret: str) -> str:
    """Hash of 18 random bytes: no slow hash needed."""
    return hashlib.sha256(secret.encode()).hexdigest()
