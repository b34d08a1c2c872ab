# SPDX-License-Identifier: MIT
"""What is kept of a coil's heat between runs: what a start knows, and when it knows nothing."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from rig.core import coil_heat, state_file
from rig.core.coil_heat import DAMAGED, GUARDED, MISSING, RESTARTED, UNCLEAN, UNWATCHED, Instant
from rig.core.state_file import RigState

NS = 1_000_000_000
NOW = Instant(1_000_000.0, 500 * NS, 600 * NS, "this boot", True)
SPANS = [(50 * NS, 40 * NS), (20 * NS, 5 * NS)]


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "a-line17.json"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch):
    def at(**changes: object) -> None:
        now = NOW._replace(**changes)
        monkeypatch.setattr(coil_heat, "read_instant", lambda: now)
        monkeypatch.setattr(coil_heat, "boot_id", lambda: now.boot_id)

    at()
    return at


def keep(state: Path) -> None:
    coil_heat.keep(state, 87.0, SPANS, 60 * NS, "")


def test_the_first_use_is_known_as_such(state: Path) -> None:
    assert coil_heat.past(state) == (None, 0.0, "")


def test_a_rig_used_before_without_the_file_is_not_a_first_use(state: Path) -> None:
    state_file.write(state, RigState("a-line17", "board", "a", 17))
    assert coil_heat.past(state).unknown == MISSING
    state.rename(state.with_suffix(".damaged"))
    assert coil_heat.past(state).unknown == MISSING


def test_what_was_kept_comes_back_with_its_age(state: Path, clock) -> None:
    keep(state)
    clock(boottime_ns=730 * NS, monotonic_ns=501 * NS, synchronised=False)  # it slept
    past = coil_heat.past(state)
    assert past.kept is not None and past.kept.temperature_degc == 87.0
    assert past.kept.spans == SPANS and past.unknown == ""
    assert past.elapsed_s == pytest.approx(130)


def test_a_synchronised_clock_tells_the_time_over_a_restart(state: Path, clock) -> None:
    keep(state)
    clock(boot_id="another", boottime_ns=30 * NS, utc_s=NOW.utc_s + 400)
    assert coil_heat.past(state)[1:] == (400.0, "")


@pytest.mark.parametrize(
    "changes",
    [
        {"synchronised": False}, {"synchronised": None},
        {"utc_s": NOW.utc_s - 1}, {"utc_s": NOW.utc_s + 10},  # shorter than the computer is up
        {"utc_s": float("nan")},
    ],
)  # fmt: skip
def test_a_clock_that_cannot_be_believed_tells_only_that_the_computer_was_off(
    state: Path, clock, changes: dict[str, object]
) -> None:
    keep(state)
    clock(**{"boot_id": "another", "boottime_ns": 30 * NS, "utc_s": NOW.utc_s + 400, **changes})
    assert coil_heat.past(state)[1:] == (30.0, RESTARTED)


def test_a_clock_unsynchronised_when_it_was_kept_is_not_believed_either(state: Path, clock) -> None:
    clock(synchronised=False)
    keep(state)
    clock(boot_id="another", boottime_ns=30 * NS, utc_s=NOW.utc_s + 400)
    assert coil_heat.past(state).unknown == RESTARTED


def test_a_lost_run_without_a_limit_of_temperature_is_remembered_as_one(state: Path) -> None:
    coil_heat.mark_open(state, watched=False)
    coil_heat.settle(state, GUARDED)
    kept, _, why = coil_heat.past(state)
    assert kept is not None and (kept.assumed, why) == (UNWATCHED, GUARDED)


def test_an_open_file_is_an_unclean_end_and_cools_only_from_when_it_was_settled(
    state: Path, clock
) -> None:
    keep(state)
    coil_heat.mark_open(state)
    clock(boottime_ns=900 * NS)
    assert coil_heat.past(state)[1:] == (0.0, UNCLEAN)
    coil_heat.settle(state)
    clock(boottime_ns=950 * NS)
    assert coil_heat.past(state)[1:] == (50.0, UNCLEAN)
    before = coil_heat.heat_path(state).read_text()
    coil_heat.settle(state)
    assert coil_heat.heat_path(state).read_text() == before, "settled once"


def test_an_open_file_of_an_earlier_boot_cools_since_the_computer_was_started(
    state: Path, clock
) -> None:
    coil_heat.mark_open(state)
    clock(boot_id="another", boottime_ns=30 * NS)
    assert coil_heat.past(state)[1:] == (30.0, UNCLEAN)


def test_a_refused_start_leaves_everything_as_it_was(state: Path) -> None:
    first = coil_heat.past(state)
    coil_heat.mark_open(state)
    coil_heat.put_back(state, first)
    assert not coil_heat.heat_path(state).exists()
    keep(state)
    text = coil_heat.heat_path(state).read_text()
    past = coil_heat.past(state)
    coil_heat.mark_open(state)
    coil_heat.put_back(state, past)
    assert coil_heat.heat_path(state).read_text() == text
    coil_heat.mark_open(state)
    coil_heat.put_back(state, coil_heat.past(state))
    assert coil_heat.past(state).unknown == UNCLEAN


def test_a_damaged_file_is_never_believed_and_never_a_fault(state: Path) -> None:
    keep(state)
    path = coil_heat.heat_path(state)
    whole = path.read_bytes()
    data = json.loads(whole)
    damaged = [whole[:n] for n in range(0, len(whole), 7)]
    for key, values in {
        "version": (1, None), "open": (1, "no"), "temperature_degc": ("hot", float("nan"), []),
        "spans": ([1], [[1, 2]], [[2, -1]], None, 7), "window_ns": ("x", None), "unknown": (7,),
        "at": ({}, None, data["at"] | {"utc_s": None}, data["at"] | {"boot_id": 3}), "more": (1,),
    }.items():  # fmt: skip
        damaged += [json.dumps(data | {key: value}).encode() for value in values]
        if key in ("version", "open", "temperature_degc", "spans", "window_ns", "at"):
            damaged.append(json.dumps({k: v for k, v in data.items() if k != key}).encode())
    damaged += [b"\xff\xfe", b"[" * 100_000, b"[]", b"0"]
    damaged.append(whole.replace(b"87.0", b"27.0"))  # one digit, and the coil would be cold
    assert damaged[-1] != whole
    for text in damaged:
        path.write_bytes(text)
        assert coil_heat.past(state)[1:] == (0.0, DAMAGED), text


@pytest.mark.parametrize(
    "change",
    [
        {"version": 99}, {"open": "no"}, {"unknown": 7}, {"assumed": None}, {"more": 1},
        {"spans": [[1, 2]]}, {"spans": [[2, -1]]}, {"spans": [["a", "b"]]}, {"at": {}},
        {"temperature_degc": "hot"}, {"temperature_degc": float("inf")}, {"window_ns": None},
        {"window_ns": float("nan")},
    ],
)  # fmt: skip
def test_a_file_whole_by_its_checksum_is_not_believed_with_a_field_that_cannot_be(
    state: Path, change: dict[str, object]
) -> None:
    """As a program of another version would write it."""
    keep(state)
    path = coil_heat.heat_path(state)
    data = json.loads(path.read_text())
    del data["check"]
    path.write_text(json.dumps(data | {"check": coil_heat._check(data)}))
    assert coil_heat.past(state).kept is not None
    data |= change
    path.write_text(json.dumps(data | {"check": coil_heat._check(data)}))
    assert coil_heat.past(state)[1:] == (0.0, DAMAGED)


def test_the_clocks_at_boot_are_those_of_now_less_the_time_it_is_up(clock) -> None:
    clock(boottime_ns=600 * NS)
    assert coil_heat.boot_instant() == NOW._replace(
        utc_s=NOW.utc_s - 600, monotonic_ns=0, boottime_ns=0
    )


def test_an_instant_that_is_not_yet_is_not_believed(state: Path, clock) -> None:
    keep(state)
    clock(boottime_ns=NOW.boottime_ns - NS)
    assert coil_heat.past(state) == (None, 0.0, DAMAGED), (
        "not as if the computer had been restarted"
    )


def test_the_heat_outlives_a_folder_that_was_removed_during_the_run(tmp_path: Path) -> None:
    state = tmp_path / "state" / "a-line17.json"
    coil_heat.write(coil_heat.heat_path(state), coil_heat.Kept(True, None, [], 0, NOW))
    shutil.rmtree(state.parent)
    keep(state)
    kept = coil_heat.read(coil_heat.heat_path(state))
    assert kept is not None and kept.temperature_degc == 87.0


def test_many_spans_are_joined_and_never_end_sooner() -> None:
    spans = [(10**9 * n + 7, 10**9 * n) for n in range(10_000, 0, -1)]
    joined = coil_heat.joined(spans)
    assert len(joined) <= coil_heat.SPANS_MOST
    assert sum(on - off for on, off in joined) == sum(on - off for on, off in spans)
    for back in (5, 50, 500, 5_000):

        def on_ns(of, back=back):
            return sum(min(on, back * NS) - off for on, off in of if off < back * NS)

        assert on_ns(joined) >= on_ns(spans)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.2, "1 s"), (45, "45 s"), (59.5, "1 min 0 s"), (190, "3 min 10 s"), (3900, "1 h 5 min")],
)
def test_a_duration_in_words(seconds: float, words: str) -> None:
    assert coil_heat.duration_words(seconds) == words
