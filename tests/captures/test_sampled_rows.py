# SPDX-License-Identifier: MIT
"""A capture with a row for every sample brings the last sample before each change along; one with
rows where something changed does not; what a file states of its resolution is heard."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from capture_rigs import RIG, read_text, refused

from rig.analysis.measure.time_stamps import BOUNDS, ESTIMATED, ROWS, STATED, estimated, located
from rig.captures import write_csv, write_vcd
from rig.captures.records_out import records_of
from rig.core.recording import Recording, RecordingBuilder

MS = 1_000_000
ON, SWITCHED, OFF, BACK = 100.2, 153.7, 400.9, 437.3
EVENTS = (ON, SWITCHED, OFF, BACK)
TRUE = {"command": (ON, OFF), "switch": (SWITCHED, BACK)}


def level(name: str, at: float) -> int:
    return int(np.searchsorted(TRUE[name], at, "right") % 2)


def wide(times: list[float], *, head: str = "") -> str:
    rows = [f"{at:.4f},{level('command', at)},{level('switch', at)}" for at in times]
    return head + "time_ms,command,switch\n" + "\n".join(rows) + "\n"


def one(folder, text: str, name: str = "capture.csv") -> Recording:
    ((_, recording),) = read_text(folder, text, name)
    return recording


def brackets(recording: Recording) -> list[tuple[float, float]]:
    """From when to when commands and edges may have been, ms, in order."""
    placed, _ = located(recording)
    edges = placed.edges["switch"]
    found = [
        ((t - half) / MS, (t + half) / MS)
        for t, half in itertools.chain(
            zip(placed.commands.t_ns, placed.commands.half_ns, strict=True),
            zip(edges.t_ns, edges.half_ns, strict=True),
        )
    ]
    return sorted(found)


EVEN = [2.5 * n for n in range(240)]
UNEVEN = np.cumsum(np.tile([7.0, 3.1, 11.3, 4.2], 30)).tolist()


@pytest.mark.parametrize("times", [EVEN, UNEVEN])
def test_each_change_lies_between_the_rows_beside_it(tmp_path, times):
    recording = one(tmp_path, wide(times))
    placed, resolution = located(recording)
    assert resolution.how == ROWS
    for (low, high), true in zip(brackets(recording), (ON, SWITCHED, OFF, BACK), strict=True):
        after = next(at for at in times if at >= true)
        before = max(at for at in times if at < true)
        assert low <= before <= true <= after <= high
        assert high - low <= after - before + 0.11  # and the last digit of uneven stamps
    # the record itself keeps the stamps of the file
    assert recording.edges["switch"].t_ns.tolist() == [
        round(next(at for at in times if at >= true) * MS) for true in TRUE["switch"]
    ]
    assert placed.edges["switch"].t_ns[0] < recording.edges["switch"].t_ns[0]


def test_the_long_form_is_sampled_likewise(tmp_path):
    rows = [f"{at},{name},{level(name, at)}" for at in EVEN for name in TRUE]
    recording = one(tmp_path, "time_ms,signal,value\n" + "\n".join(rows) + "\n")
    assert located(recording)[1].how == ROWS
    assert brackets(recording) == brackets(one(tmp_path, wide(EVEN)))


def test_rows_only_where_something_changed_are_no_samples(tmp_path):
    assert located(one(tmp_path, wide([0, *EVENTS, 900])))[1].how == ESTIMATED
    # also where blank cells repeat nothing
    text = f"time_ms,command,switch\n0,0,0\n{ON},1,\n{SWITCHED},,1\n{OFF},0,\n{BACK},,0\n900,,\n"
    assert located(one(tmp_path, text))[1].how == ESTIMATED


def test_rows_of_their_own_between_even_readings_are_no_samples(tmp_path):
    """A logger that writes readings evenly, and a change when it comes, with all cells filled."""
    rows = sorted([(10.0 * n, "300") for n in range(90)] + [(t, "") for t in EVENTS])
    text = "time_ms,command,switch,pressure_kpa\n" + "".join(
        f"{at},{level('command', at)},{level('switch', at)},{kpa}\n" for at, kpa in rows
    )
    recording = one(tmp_path, text)
    assert located(recording)[1].how == ESTIMATED
    assert located(recording)[1].step_ms < 5


def test_a_signal_sampled_seldom_has_a_wider_bracket_and_keeps_its_order(tmp_path):
    rows = [
        f"{at},{level('command', at)}," + (str(level("switch", at)) if n % 4 == 0 else "")
        for n, at in enumerate(EVEN)
    ]
    recording = one(tmp_path, "time_ms,command,switch\n" + "\n".join(rows) + "\n")
    placed, _ = located(recording)
    assert placed.edges["switch"].half_ns[0] >= 4.9 * MS
    assert placed.commands.half_ns[0] <= 1.3 * MS
    order = np.argsort(np.concatenate((placed.commands.t_ns, placed.edges["switch"].t_ns)))
    assert order.tolist() == [0, 2, 1, 3]
    for (low, high), true in zip(brackets(recording), (ON, SWITCHED, OFF, BACK), strict=True):
        assert low <= true <= high


def test_stated_by_the_file_or_by_a_person(tmp_path):
    events = [0, *EVENTS, 900]
    recording = one(tmp_path, wide(events, head="# Resolution: 16.7 ms\n"))
    assert located(recording)[1] == (STATED, pytest.approx(16.7))
    from rig.captures import read_capture

    path = tmp_path / "capture.csv"
    ((_, typed),) = read_capture(path, RIG, 4 * MS)
    assert located(typed)[1] == (STATED, pytest.approx(4.0))  # a person goes before the file
    # beside rows it can only widen
    rows = one(tmp_path, wide(EVEN, head="# resolution: 20 ms\n"))
    assert located(rows)[1] == (ROWS, pytest.approx(20.0))
    vcd = (
        "$timescale 1 us $end\n$comment resolution: 1 ms $end\n$var wire 1 ! command $end\n"
        '$var wire 1 " switch $end\n$enddefinitions $end\n#0\n0!\n0"\n#1000\n1!\n#9000\n1"\n'
    )
    assert located(one(tmp_path, vcd, "capture.vcd"))[1] == (STATED, pytest.approx(1.0))


@pytest.mark.parametrize("head", ["", "# resolution: 10 us\n"])
@pytest.mark.parametrize("cut", [np.floor, np.ceil, np.round])
def test_a_line_stamped_more_coarsely_than_the_others_is_not_known_better(tmp_path, head, cut):
    """The switch comes from a recorder that tells 10 ms, the command from one that tells 1 us."""
    rng = np.random.default_rng(13)
    on = 400 + 800 * np.arange(8) + rng.uniform(0, 20, 8)
    up, down = on + rng.uniform(50, 80, 8), on + 300 + rng.uniform(30, 60, 8)
    rows = [(t, "command", 1) for t in on] + [(t + 300, "command", 0) for t in on]
    rows += [(cut(t / 10) * 10, "switch", 1) for t in up]
    rows += [(cut(t / 10) * 10, "switch", 0) for t in down]
    text = "".join(f"{at:.3f},{name},{value}\n" for at, name, value in sorted(rows))
    start = "time_ms,signal,value\n0,command,0\n0,switch,0\n"
    placed, resolution = located(one(tmp_path, head + start + text))
    assert resolution.step_ms == pytest.approx(10.0)
    edges, true = placed.edges["switch"], np.sort(np.concatenate((up, down)))
    assert edges.half_ns is not None
    away_ms = np.abs(edges.t_ns / MS - true)
    assert (away_ms <= edges.half_ns / MS).all()
    assert (edges.half_ns <= 10 * MS).all()
    assert placed.commands.half_ns is not None
    assert (placed.commands.half_ns < MS).all()  # which the switch's recorder does not make worse


def test_commands_in_even_steps_are_no_coarse_clock(tmp_path):
    """A program commands every 800 ms for 300 ms; all is stamped to 1 us."""
    rng = np.random.default_rng(14)
    on = 400.0 + 800 * np.arange(8)
    rows = [(t, "command", 1) for t in on] + [(t + 300, "command", 0) for t in on]
    rows += [(t + rng.uniform(50, 80), "switch", 1) for t in on]
    rows += [(t + 300 + rng.uniform(30, 60), "switch", 0) for t in on]
    text = "".join(f"{at:.3f},{name},{value}\n" for at, name, value in sorted(rows))
    start = "# resolution: 10 us\ntime_ms,signal,value\n0,command,0\n0,switch,0\n"
    assert located(one(tmp_path, start + text))[1] == (STATED, pytest.approx(0.01))


@pytest.mark.parametrize("said", ["soon", "5", "0 ms", "-1 ms", "3 kPa"])
def test_a_resolution_that_is_none_is_refused(tmp_path, said):
    (problem,) = refused(tmp_path, wide(EVEN, head=f"# resolution: {said}\n"))
    assert "row 1" in problem
    assert "resolution" in problem or "time" in problem


def test_samples_go_through_the_log(tmp_path):
    recording = one(tmp_path, wide(UNEVEN))
    builder = RecordingBuilder("capture", RIG.switch_closed_level, 1)
    again = builder.add_all(records_of(recording)).build()
    assert brackets(again) == brackets(recording)


@pytest.mark.parametrize("form", ["csv", "vcd"])
def test_an_export_states_what_its_samples_left_open(tmp_path, form):
    recording = one(tmp_path, wide(UNEVEN))
    path = tmp_path / f"again.{form}"
    (write_csv if form == "csv" else write_vcd)(recording, path)
    again = one(tmp_path, path.read_text(), path.name)
    _, resolution = located(again)
    assert resolution.how == STATED
    assert resolution.step_ms >= max(high - low for low, high in brackets(recording)) - 0.11


def test_each_stroke_is_judged_by_its_own_rows(tmp_path):
    """A logger that paused over one switching leaves that stroke open, and no other."""
    from rig.analysis.analyse import analyse
    from rig.config.sheet.model import KINDS

    strokes, changes = 5, {"command": [], "switch": []}
    for number in range(strokes):
        at = 200.0 + 1000 * number
        changes["command"] += [at, at + 500]
        changes["switch"] += [at + 50, at + 535]
    pause = (2200.0, 2290.0)  # over the third stroke's answer
    times = [float(t) for t in range(5200) if not pause[0] < t < pause[1]]
    rows = [
        f"{t},"
        + ",".join(str(np.searchsorted(edges, t, "right") % 2) for edges in changes.values())
        for t in times
    ]
    recording = one(tmp_path, "time_ms,command,switch\n" + "\n".join(rows) + "\n")
    page = {"kind": "strokes", "strokes": strokes, "on_time": "500 ms", "rest": "500 ms"}

    def judged(limit: str, of: str):
        accept = [{"figure": "response", "of": of, "max": limit}]
        sheet = KINDS["strokes"].model_validate(page | {"accept": accept})
        return analyse(recording, RIG, sheet)

    result = judged("75 ms", "each")
    halves = result.strokes.response_half_ms
    assert halves[2] == pytest.approx(45.5, abs=0.1)
    assert np.delete(halves, 2) == pytest.approx(1.0)
    assert result.verdict.result == "undecided"
    assert "1 of 5" in result.verdict.limits[0].why
    assert judged("120 ms", "each").verdict.result == "conforms"


def changes_only(tmp_path, true_ms, looks_ms):
    """A file of one row for each look that shows a change of command, coil or switch, stamped to a
    microsecond."""
    names = ("command", "coil", "switch")
    levels = np.stack([np.searchsorted(true_ms[name], looks_ms, "right") % 2 for name in names], 1)
    shows = np.concatenate(([True], (np.diff(levels, axis=0) != 0).any(axis=1)))
    rows = [f"{at:.3f},{','.join(map(str, row))}" for at, row in
            zip(looks_ms[shows].tolist(), levels[shows].tolist(), strict=True)]  # fmt: skip
    return one(tmp_path, "time_ms,command,coil,switch\n" + "\n".join(rows) + "\n")


@pytest.mark.parametrize("step_ms", [3.0, 10.0])
def test_an_uneven_poller_that_states_nothing_gives_bounds(tmp_path, step_ms):
    """Looks off by half their mean either way, only changes written: taken at their stamps' last
    digit, single times were covered in 0 to 3 of 100."""
    rng = np.random.default_rng(21)
    for _ in range(5):
        on = 400 + 800 * np.arange(8) + rng.uniform(0, 20, 8)
        true = {
            name: np.stack((on + up, on + 300 + down + rng.normal(0, 2, 8)), 1).ravel()
            for name, up, down in (("command", 0, 5), ("coil", 8, 12), ("switch", 68, 47))
        }
        looks = np.cumsum(step_ms * rng.uniform(0.5, 1.5, int(8_000 / step_ms)))
        placed, resolution = located(changes_only(tmp_path, true, looks))
        assert resolution.how == BOUNDS
        for name, line in (("coil", "readback"), ("switch", "switch")):
            edges = placed.edges[line]
            away_ms = edges.t_ns / MS - true[name]
            assert ((away_ms >= 0) & (away_ms <= edges.half_ns / MS)).all()
        assert "Nothing states how finely" in estimated(resolution)
        assert "--resolution" in estimated(resolution)


def test_bounce_and_an_even_clock_show_how_finely_a_recorder_tells_time(tmp_path):
    """Two rows 0.2 ms apart: edges are open by 0.6 ms. An even 60 Hz is estimated as before."""
    rng = np.random.default_rng(22)
    on = 400 + 800 * np.arange(8) + rng.uniform(0, 20, 8)
    up = on + 60 + rng.normal(0, 2, 8)
    true = {
        "command": np.stack((on, on + 300), 1).ravel(),
        "coil": np.stack((on + 8, on + 304), 1).ravel(),
        "switch": np.stack((up, up + 0.2, up + 1, on + 340), 1).ravel(),
    }
    every = np.unique(np.round(np.concatenate([[0.0], *true.values()]), 3)) + 1e-4
    placed, resolution = located(changes_only(tmp_path, true, every))
    assert resolution.how == BOUNDS
    assert placed.edges["switch"].half_ns.max() <= 0.61 * MS
    even = np.arange(0, 7_000, 1000 / 60)
    assert located(changes_only(tmp_path, true, even))[1].how == ESTIMATED
