# SPDX-License-Identifier: MIT
"""What is kept of an exercise: seats, names, keys, draws and what a check costs."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest
from exercise_parts import plan

from rig.actions.exercise import draw, steps, store
from rig.actions.exercise.store import Exercises
from rig.core.errors import StorageError, UsageError
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.next_check import GETTING_THERE


def test_the_seats_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "SEATS_MOST", 3)
    there = Exercises(tmp_path / "e.sqlite")
    code = there.begin(plan()).code
    for n in range(3):
        there.take_seat(code, f" Seat  {n} ")
    for name, why in (("seat 2", "taken"), ("", "nickname"), ("x" * 31, "nickname"),
                      ("a\x00b", "nickname"), ("Seat 9", "seats are taken")):  # fmt: skip
        with pytest.raises(UsageError, match=why):
            there.take_seat(code, name)
    for _ in range(store.EXERCISES_MOST - 1):
        there.begin(plan())
    with pytest.raises(UsageError, match="Forget one"):
        there.begin(plan())
    seat = there.seats(1)[0]
    with pytest.raises(UsageError, match="as much as can be kept"), there.changing(seat.id) as now:
        now.seat.refused = "x" * store.SEAT_BYTES
    assert there.seats(1)[0] == seat, "as it was"


def test_a_name_is_taken_once_and_covers_no_other(tmp_path: Path) -> None:
    """Letters that are one letter in NFKC (Unicode Standard Annex 15): full width, ligature, and an
    accent of its own. A sign that turns the line round, and a pile of marks, are refused."""
    there = Exercises(tmp_path / "e.sqlite")
    code = there.begin(plan()).code
    seat, _ = there.take_seat(code, "Ann\u00a0\ufb01\u0301")
    assert seat.name == "Ann f\u00ed"
    for same in ("\uff21\uff4e\uff4e fi\u0301", "ANN FI\u0301"):
        with pytest.raises(UsageError, match="taken"):
            there.take_seat(code, same)
    for hostile in ("\u202eabc", "a" + "\u0336" * 12, "\u200b", "\ufdfa" * 2):
        with pytest.raises(UsageError, match="at most 30 letters, digits and signs"):
            there.take_seat(code, hostile)
    for good in ("\u05e9\u05b8\u05c1\u05dc\u05d5\u05b9\u05dd", "<b>bold</b>", "=1+1"):
        assert there.take_seat(code, good)[0].name


def test_a_file_of_another_form_is_left_alone(tmp_path: Path) -> None:
    there = Exercises(tmp_path / "e.sqlite")
    there.begin(plan())
    with contextlib.closing(sqlite3.connect(tmp_path / "e.sqlite")) as other:
        other.execute(f"PRAGMA user_version = {store.FORM + 1}")
    for ask in (there.all, lambda: there.begin(plan())):
        with pytest.raises(StorageError, match="another version"):
            ask()


@pytest.mark.parametrize(
    "key", ["", ".", "1", "1.", "1.wrong", "x.y", "-1.a", "9" * 30 + ".a", "²."]
)
def test_only_the_key_opens_a_seat(tmp_path: Path, key: str) -> None:
    there = Exercises(tmp_path / "e.sqlite")
    assert there.opened_by(key) is None
    seat, secret = there.take_seat(there.begin(plan()).code, "a")
    assert there.opened_by(key) is None
    opened = there.opened_by(f"{seat.id}.{secret}")
    assert opened is not None and opened.name == "a"


def test_a_draw_is_the_same_for_all_or_for_each() -> None:
    same = [draw.drawn_seat(plan(cause=None, severity=None), n) for n in range(12)]
    assert all(one == same[0] for one in same)
    own = [draw.drawn_seat(plan(cause=None, severity=None, each_own=True), n) for n in range(60)]
    assert len({one.cause for one in own}) > 15 and len({one.severity for one in own}) == 3
    whole = [one for one in own if one.cause == "fuse open"]
    assert all(one.severity == 1.0 for one in whole), "a fuse is open or not"


def test_checks_cost_minutes_and_keep_their_order() -> None:
    knowledge, mine = load_knowledge(), draw.drawn_seat(plan(cause="open coil"), 1)
    with pytest.raises(UsageError, match="first isolation of the drive"):
        steps.do_check(plan(), mine, "coil_ohms", knowledge)
    assert mine.minutes == 0
    for name in ("drive_isolated", "coil_ohms", "coil_ohms"):
        steps.do_check(plan(), mine, name, knowledge)
    by_hand = [knowledge.checks[name].minutes for name in ("drive_isolated", "coil_ohms")]
    assert mine.minutes == sum(by_hand) + 2 * GETTING_THERE, "a second look costs nothing"
    done = mine.done("coil_ohms")
    assert done is not None and done.state == "open"
    with pytest.raises(UsageError, match="no such check"):
        steps.do_check(plan(), mine, "../etc", knowledge)
    # 20 strokes of 1 s and what lies around them: two or three begun half minutes
    assert steps.run_minutes(24.0) == GETTING_THERE + 0.5
    assert steps.run_minutes(30.1) == GETTING_THERE + 1.0
