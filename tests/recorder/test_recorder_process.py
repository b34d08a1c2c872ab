# SPDX-License-Identifier: MIT
import fcntl
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time

import pytest
from recorder_parts import END, TRIP, lines, raw, sample, stored
from run_headers import header

from rig.core import state_file
from rig.core.records import OFF_STATES, End, encode
from rig.runlog.store import RunLog


def test_a_run_from_header_to_end(start):
    process = start()
    run_id = process.begin()
    process.send(*lines(40))
    process.send(encode(END).encode())
    assert process.ended() == 0
    assert process.told[-1] == {
        "done": True, "run": run_id, "status": "finished", "records": 41, "committed": 41,
    }  # fmt: skip
    run = stored(process)
    assert list(run.records()) == [*(sample(i) for i in range(40)), END]
    assert (run.status, run.end) == ("finished", END)
    assert "before the run did" not in run.remark
    assert raw(process)[0] == [*lines(40), encode(END).encode()]
    assert [key for word in process.told for key in word][:3] == ["ready", "run", "raw_file"]


def test_it_says_what_is_committed_while_the_run_goes_on(start):
    process = start()
    process.begin()
    process.send(*lines(25))
    word = process.hear("committed")
    assert word["committed"] == 25
    assert word["lag_s"] == 0.0
    assert word["free_mb"] > 0
    assert stored(process).n_records == 25
    assert stored(process).status == "running"
    process.send(encode(END).encode())
    process.ended()


def test_records_in_pieces_and_with_the_header(start):
    process = start()
    whole = b"".join(line + b"\n" for line in [header().to_json().encode(), *lines(20)])
    process.send(whole[:-1])  # the newline comes later
    process.hear("run")
    process.bench.sendall(b"\n")
    for i in range(20):
        for part in (lines(1, 20 + i)[0][:7], lines(1, 20 + i)[0][7:] + b"\n"):
            process.bench.sendall(part)
    process.send(encode(END).encode())
    process.ended()
    assert list(stored(process).records()) == [*(sample(i) for i in range(40)), END]


def test_a_bench_that_dies_leaves_an_interrupted_run(start):
    process = start()
    process.begin()
    process.send(*lines(30))
    process.bench.sendall(lines(1, 30)[0][:11])  # its last record was cut
    process.bench.close()
    assert process.ended() == 0
    assert process.told[-1]["status"] == "interrupted"
    run = stored(process)
    assert (run.status, run.end, run.n_records) == ("interrupted", None, 30)
    assert "The bench ended before the run did." in run.remark
    assert "cut after 11 bytes" in run.remark
    assert raw(process)[0] == lines(30)


def test_a_desk_that_gives_up_before_the_run_begins_leaves_nothing(start):
    process = start()
    process.hear("ready")
    process.bench.close()
    assert process.ended() == 0
    assert process.told[-1] == {"done": True, "committed": 0}
    with RunLog(process.log, readonly=True) as log:
        assert log.runs() == []
    assert list(process.raw_dir.iterdir()) == []


def test_asked_to_stop_it_takes_what_was_sent_and_closes_the_run(start):
    process = start()
    process.begin()
    process.send(*lines(3_000))
    process.child.send_signal(signal.SIGTERM)
    assert process.ended() == 0
    run = stored(process)
    assert (run.status, run.n_records) == ("interrupted", 3_000)
    assert "asked to stop" in run.remark


def test_asked_to_stop_before_a_run_it_just_ends(start):
    process = start()
    process.hear("ready")
    process.child.send_signal(signal.SIGTERM)
    assert process.ended() == 0


def test_the_terminals_signals_do_not_end_the_record(start):
    process = start()
    process.begin()
    for number in (
        signal.SIGINT, signal.SIGQUIT, signal.SIGTSTP, signal.SIGHUP, signal.SIGTTOU, signal.SIGTTIN
    ):  # fmt: skip
        process.child.send_signal(number)
    process.send(*lines(10))
    assert process.hear("committed")["committed"] == 10
    process.send(encode(END).encode())
    assert process.ended() == 0
    assert stored(process).status == "finished"


@pytest.mark.parametrize("stated", ["option", "header"])
def test_a_trip_is_latched_and_committed_at_once(start, tmp_path, stated):
    path = tmp_path / "simulated-line17.json"
    state_file.write(path, state_file.RigState("simulated-line17", "simulated", "chip", 17))
    process = start(*(["--state", str(path)] if stated == "option" else []))
    first = json.loads(header().to_json()) | ({"state": str(path)} if stated == "header" else {})
    process.send(json.dumps(first).encode())
    process.hear("run")
    process.send(*lines(5), encode(TRIP).encode())
    assert process.hear("committed")["committed"] == 6
    assert state_file.read(path).trip == TRIP
    assert state_file.read(path).tripped_utc_s == pytest.approx(time.time(), abs=60)
    process.send(encode(End("tripped", OFF_STATES[0], 10**10)).encode())
    assert process.ended() == 0
    assert stored(process).status == "tripped"


def test_a_latch_that_fails_is_an_error_in_words(start, tmp_path):
    process = start("--state", str(tmp_path / "none.json"))
    process.begin()
    process.send(encode(TRIP).encode())
    assert "could not be latched" in process.hear("error")["error"]
    process.send(encode(End("tripped", OFF_STATES[0], 10**10)).encode())
    assert process.ended() != 0
    assert stored(process).n_records == 2
    assert len([word for word in process.told if "error" in word]) == 1


def test_a_state_file_that_is_removed_ends_the_run(start, tmp_path):
    """Stop and `rig safe` find the bench by it, and would call a coil off that is stroking."""
    path = tmp_path / "state" / "simulated-line17.json"
    path.parent.mkdir()
    state_file.write(path, state_file.RigState("simulated-line17", "simulated", "chip", 17))
    process = start("--state", str(path))
    process.begin()
    state_file.write_latch(path, TRIP, 1.0)  # each writing puts another file in its place
    process.send(*lines(5))
    assert process.hear("committed")["committed"] == 5
    shutil.rmtree(path.parent)
    assert "was removed" in process.hear("error")["error"]
    process.send(encode(END).encode())
    assert process.ended() == 0
    assert stored(process).n_records == 6


def test_the_desk_may_die(start):
    process = start()
    process.begin()
    process.deaf()
    process.send(*lines(10))
    process.send(encode(END).encode())
    assert process.ended() == 0
    assert stored(process).n_records == 11


def test_the_desk_may_stand_still(start):
    """Ctrl-Z: nobody reads the status any more, and its pipe is full."""
    read_fd, write_fd = os.pipe()
    fcntl.fcntl(write_fd, fcntl.F_SETPIPE_SZ, 4096)
    os.write(write_fd, b"x" * 4096)
    process = start(status=write_fd)
    process.send(header().to_json().encode(), *lines(10), encode(END).encode())
    assert process.ended() == 0
    os.close(read_fd)
    assert stored(process).n_records == 11


def test_lines_that_are_no_records_are_left_out_and_counted(start):
    process = start()
    process.begin()
    process.send(*lines(2), b'{"v": 1}', b"[", b'["S","pressure"]', b"\xff", *lines(2, 2))
    process.send(encode(END).encode())
    assert process.ended() == 0
    run = stored(process)
    assert list(run.records()) == [*(sample(i) for i in range(4)), END]
    assert "4 lines that are no records were left out." in run.remark


@pytest.mark.parametrize("line", [b"[]", b"nonsense", b"{}", b'{"source": "board"}'])
def test_another_first_line_is_refused(start, line):
    process = start()
    process.send(line)
    assert process.ended() == 4
    assert "cannot be entered into the log" in process.told[-1]["error"]
    assert list(process.raw_dir.iterdir()) == []


def test_an_end_in_place_of_a_header_begins_no_run(start):
    """A bench that was stopped while it waited."""
    process = start()
    process.send(encode(END).encode())
    assert process.ended() == 0
    assert process.told[-1] == {"done": True, "committed": 0}
    assert list(process.raw_dir.iterdir()) == []


def test_a_log_that_cannot_be_opened_is_said_before_anything_begins(start, tmp_path):
    (tmp_path / "runs.sqlite").write_bytes(b"something else " * 300)
    process = start()
    assert process.ended() == 4
    assert "not a run log" in process.told[-1]["error"]


def test_a_pipe_and_standard_descriptors_do_too(tmp_path, rig_data):
    sent = b"".join(
        line + b"\n" for line in [header().to_json().encode(), *lines(5), encode(END).encode()]
    )
    done = subprocess.run([sys.executable, "-m", "rig.recorder"], input=sent, capture_output=True)
    assert (done.returncode, done.stderr) == (0, b"")
    assert json.loads(done.stdout.splitlines()[-1])["committed"] == 6
    with RunLog(rig_data / "runs.sqlite", readonly=True) as log:
        assert log.load(1).status == "finished"
    assert len(list((rig_data / "raw").glob("*.raw"))) == 1


def test_a_bench_that_is_reset_is_a_bench_that_ended(start):
    process = start()
    process.begin()
    process.send(*lines(3))
    process.hear("committed")
    process.bench.shutdown(socket.SHUT_WR)
    assert process.ended() == 0
    assert stored(process).n_records == 3
