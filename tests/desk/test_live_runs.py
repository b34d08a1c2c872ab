# SPDX-License-Identifier: MIT
from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest
from live_runs import SETUP, SHEET, live_run, result, rig, wait_gone, write_files

from rig.core import coil_heat, places, state_file
from rig.core.records import Command, Condition
from rig.runlog.store import RunLog
from webui.live.files import Files
from webui.live.hub import Hub

SHORT = SHEET.replace("strokes = 60", "strokes = 5")


def coil_off_at_the_end(run) -> bool:
    commands = [r for r in run.stored().records() if isinstance(r, Command)]
    return commands[-1].on is False


def test_a_run_in_real_time_goes_through_all_three_processes(tmp_path: Path) -> None:
    with live_run(tmp_path, sheet=SHORT) as run:
        code, out, err = run.finish()
        data = result(out)
        assert (code, err) == (0, ""), err
        assert data["status"] == "finished" and data["source"] == "simulated"
        assert data["counts"]["answered"] == 5
        assert data["end"]["off"] == "confirmed off"
        assert run.stored().status == "finished"
        assert run.state().owner is None and run.state().trip is None


def test_a_stop_before_the_first_stroke_closes_the_run_as_aborted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It stood in the log already: without an end it would be listed as interrupted."""
    from rig.cli.main import answer
    from rig.desk.session import Session

    real = Session.run

    def stopped_first(session: Session) -> object:
        session._wires.order("stop", "a test")
        time.sleep(0.3)
        return real(session)

    monkeypatch.setattr(Session, "run", stopped_first)
    assert answer(["run", *write_files(tmp_path, sheet=SHORT), "--json"]) == 3
    with RunLog.reading(places.log_path()) as log:
        stored = log.load(log.runs(limit=1)[0].id)
    assert stored.status == "aborted" and stored.end is not None
    assert stored.end.off == "confirmed off"
    assert not [r for r in stored.records() if isinstance(r, Command)], "nothing was energised"


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (signal.SIGINT, "Ctrl-C"),
        (signal.SIGTSTP, "Ctrl-Z"),
        (signal.SIGTERM, "SIGTERM"),
        (signal.SIGHUP, "terminal was closed"),
        (signal.SIGQUIT, "SIGQUIT"),
    ],
)
def test_every_ending_signal_releases_first_and_keeps_the_run(
    tmp_path: Path, number: int, why: str
) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.process.pid, number)
        os.kill(run.process.pid, number)  # a second one skips nothing
        code, out, err = run.finish()
        assert code == 3, err
        assert result(out)["status"] == "aborted"
        assert "Coil: confirmed off" in err
        stopped = [r for r in run.stored().records() if isinstance(r, Condition)]
        assert any(why in condition.detail for condition in stopped)
        assert coil_off_at_the_end(run)
        assert run.state().trip is None, "a person's stop latches nothing"


def test_a_killed_bench_is_noticed_latched_and_told(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.bench_pid(), signal.SIGKILL)
        code, _, err = run.finish()
        assert code == 7
        assert "the guard ended it" in err
        assert run.stored().status == "interrupted"
        assert run.state().trip.rule == "bench lost"
        path = state_file.state_path(places.state_dir(), "simulated-line17")
        kept = coil_heat.read(coil_heat.heat_path(path))
        assert kept.unknown == coil_heat.GUARDED and not kept.open, "it cools since the guard"
    again = rig("run", *write_files(tmp_path), "--fast")
    assert again.returncode == 4 and "rig clear" in again.stderr
    cleared = rig("clear")
    assert cleared.returncode == 0, cleared.stderr
    warm = rig("run", *write_files(tmp_path, sheet=SHORT), "--fast")
    assert warm.returncode == 4 and coil_heat.GUARDED in warm.stderr
    assert rig("run", *write_files(tmp_path, sheet=SHORT), "--fast", "--wait").returncode == 0


def test_a_stopped_bench_is_killed_by_the_guard(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.bench_pid(), signal.SIGSTOP)
        code, _, err = run.finish()
        assert code == 7 and "was silent for" in err
        assert run.state().trip.rule == "bench lost"


def test_a_killed_desk_ends_the_run_and_the_record_is_whole(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        run.process.kill()
        wait_gone(run)
        assert coil_off_at_the_end(run)
        assert run.stored().status == "aborted"


def test_a_silent_desk_ends_the_run(tmp_path: Path) -> None:
    with live_run(tmp_path, sheet=SHEET.replace("150 ms", "500 ms")) as run:
        run.wait_strokes(1)
        os.kill(run.process.pid, signal.SIGSTOP)
        wait_gone(run)
        time.sleep(1)  # the recorder ends too
        os.kill(run.process.pid, signal.SIGCONT)
        code, _, err = run.finish()
        assert code == 3 and "ended before" not in err, err
        assert run.state().trip is None, "nothing was lost but the desk's own time"
        details = [r.detail for r in run.stored().records() if isinstance(r, Condition)]
        assert any(detail.startswith("desk silent") for detail in details)


def test_rig_safe_ends_a_run_from_outside(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        made = rig("safe")
        assert made.returncode == 0, made.stderr
        assert "confirmed off" in made.stdout
        code, _, _ = run.finish()
        assert code == 3 and run.stored().status == "aborted"


def test_rig_safe_ends_a_bench_that_does_not_answer(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.process.pid, signal.SIGSTOP)  # no guard to come first
        os.kill(run.bench_pid(), signal.SIGSTOP)
        made = rig("safe")
        assert made.returncode == 0, made.stderr
        assert "did not answer and was ended; latched as a trip" in made.stdout
        assert run.state().trip.rule == "bench lost, release not seen"
        assert (
            "was killed; `rig safe` took its line. Coil: confirmed off" in run.state().trip.message
        )


@pytest.mark.parametrize("damage", ["damaged", "deleted"])
def test_the_guard_needs_no_state_file(tmp_path: Path, damage: str) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        pid = run.bench_pid()
        path = state_file.state_path(places.state_dir(), "simulated-line17")
        if damage == "damaged":
            path.write_text('{"half')
        else:
            path.unlink()
        os.kill(pid, signal.SIGKILL)
        code, _, err = run.finish()
        assert code == 7 and "the guard ended it. Coil: " in err
        assert run.state().trip.rule == "bench lost"


def test_a_killed_recorder_ends_the_run_and_is_named(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.recorder_pid(), signal.SIGKILL)
        code, _, err = run.finish()
        assert code == 3 and "recorder" in err and "rig recover" in err
        assert run.stored().status == "interrupted"


def test_a_trip_is_latched_although_desk_and_recorder_are_gone(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        os.kill(run.recorder_pid(), signal.SIGKILL)
        run.process.kill()
        run.process.communicate()
        wait_gone(run)
        trip = run.state().trip
    assert trip is not None and trip.rule == "recorder behind"


def test_one_run_at_a_time(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        second = rig("run", *write_files(tmp_path))
        assert second.returncode == 4
        assert f"in use by process {run.bench_pid()}" in second.stderr
        made = rig("safe")  # the refused one must not have taken the first one's socket away
        assert "commanded the coil off" in made.stdout
        code, _, err = run.finish()
        assert code == 3 and "Stopped: rig safe" in err


@pytest.mark.parametrize("finder", ["run", "page", "safe", "clear"])
def test_desk_and_bench_killed_at_once_is_latched_by_whatever_starts_next(
    tmp_path: Path, finder: str
) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        pid = run.bench_pid()
        os.kill(run.process.pid, signal.SIGSTOP)  # or the bench would hear of the desk's death
        os.kill(pid, signal.SIGKILL)
        run.process.kill()
        run.process.wait()
        assert run.state().trip is None, "nobody was left to latch it"
        if finder == "run":
            found = rig("run", *write_files(tmp_path, sheet=SHORT), "--fast")
            assert found.returncode == 4 and "without releasing its line" in found.stderr
        elif finder == "page":
            hub = Hub(places.state_dir(), Files([], [], tmp_path / "own"))
            hub.start()
            hub.close()
        elif finder == "safe":
            found = rig("safe")
            assert found.returncode == 0 and "latched as a trip" in found.stdout
            assert run.state().owner is None
        else:
            found = rig("clear")
            assert found.returncode == 0 and "without releasing its line" in found.stdout
            assert run.state().trip is None and run.state().owner is None
            return
        assert run.state().trip.rule == "bench lost, release not seen"
        refused = rig("run", *write_files(tmp_path, sheet=SHORT), "--fast")
        assert refused.returncode == 4 and "rig clear" in refused.stderr
        assert rig("clear").returncode == 0


def test_safe_and_clear_where_nothing_ever_ran() -> None:
    made, cleared = rig("safe"), rig("clear")
    assert (made.returncode, cleared.returncode) == (0, 0)
    assert "nothing to release" in made.stdout and "nothing to clear" in cleared.stdout


def test_safe_looks_at_every_line_that_the_setups_of_a_folder_name(tmp_path: Path) -> None:
    write_files(tmp_path)
    board = SETUP.replace('"simulated"', '"board"\nchip = "no-such-chip"').replace('"none"', '"/x"')
    (tmp_path / "b.setup.toml").write_text(board)
    made = rig("safe", str(tmp_path))
    assert made.returncode == 0, made.stderr
    assert "simulated-line17: confirmed off" in made.stdout
    assert 'no GPIO chip "no-such-chip": nothing to release' in made.stdout
    (tmp_path / "c.setup.toml").write_text("backend = 1")
    made = rig("safe", str(tmp_path))
    assert made.returncode == 6 and "which line it drives is not known" in made.stderr


def test_a_board_that_is_not_there_leaves_no_state_behind(tmp_path: Path) -> None:
    board = SETUP.replace('"simulated"', '"board"\nchip = "no-such-chip"').replace('"none"', '"/x"')
    for _ in range(2):  # the second start is a first use again
        done = rig("run", *write_files(tmp_path, board), "--confirmed-by", "A", "--json")
        assert done.returncode == 4 and "no-such-chip" in done.stderr
        left = [path.name for path in places.state_dir().iterdir()]
        assert left == ["no-such-chip-line17.lock"]
    made = rig("safe")
    assert made.returncode == 0 and "nothing to release" in made.stdout
