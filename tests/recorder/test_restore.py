# SPDX-License-Identifier: MIT
import subprocess
import sys

import pytest
from recorder_parts import END, lines, sample
from run_headers import header

from rig.core.errors import RefusedError, StorageError
from rig.core.records import encode
from rig.recorder.recorder import Recorder
from rig.recorder.restore import restore
from rig.runlog.store import RunLog


@pytest.fixture
def recorded(tmp_path):
    """A finished run's raw file, and its header."""
    given = header(valve="V-3")
    with RunLog(tmp_path / "first.sqlite") as log:
        recorder = Recorder(log, given, tmp_path)
        recorder.take(lines(9))
        recorder.put(encode(END))
        recorder.finish()
    return recorder.raw.path, given


def test_a_lost_log_is_made_again_from_raw_files(tmp_path, recorded):
    path, given = recorded
    with RunLog(tmp_path / "new.sqlite") as log:
        restored = restore(log, path)
        assert str(restored) == f"Run {restored.run_id}: 10 records restored."
        run = log.load(restored.run_id)
        assert run.header == given
        assert list(run.records()) == [*(sample(i) for i in range(9)), END]
        assert (run.status, run.end) == ("finished", END)
        assert "restored" in run.remark
        again = restore(log, path)
        assert (again.run_id, again.added) == (restored.run_id, 0)
        assert log.load(restored.run_id).n_records == 10
        assert len(log.runs()) == 1


def test_a_cut_raw_file_restores_an_interrupted_run(tmp_path, recorded):
    path, _ = recorded
    path.write_bytes(path.read_bytes()[:-5])
    with RunLog(tmp_path / "new.sqlite") as log:
        restored = restore(log, path)
        assert "9 records restored. The raw file: line 11, the last, is incomplete" in str(restored)
        assert log.load(restored.run_id).status == "interrupted"


def test_a_raw_file_without_records_restores_an_empty_run(tmp_path, recorded):
    path, _ = recorded
    path.write_bytes(path.read_bytes().split(b"\n")[0] + b"\n")
    with RunLog(tmp_path / "new.sqlite") as log:
        run = log.load(restore(log, path).run_id)
        assert (run.status, run.n_records) == ("interrupted", 0)


def test_a_run_that_still_goes_on_is_left_alone(tmp_path):
    with RunLog(tmp_path / "runs.sqlite") as log:
        recorder = Recorder(log, header(), tmp_path)
        with pytest.raises(RefusedError, match="still being recorded"):
            restore(log, recorder.raw.path)
        recorder.finish(END)


def test_the_command(tmp_path, recorded, rig_data):
    command = [sys.executable, "-m", "rig.cli.main", "recover"]
    done = subprocess.run([*command, str(recorded[0])], capture_output=True, text=True)
    said = f"Run 1: 10 records restored. ({recorded[0].name})\n1 run analysed.\n"
    assert (done.returncode, done.stdout) == (0, said)
    with RunLog(rig_data / "runs.sqlite", readonly=True) as log:
        assert log.load(1).n_records == 10
    done = subprocess.run([*command, str(tmp_path / "no.raw")], capture_output=True, text=True)
    assert done.returncode == StorageError.exit_code
    assert "cannot be read" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_copy_can_be_made_while_a_run_goes_on(tmp_path, rig_data):
    copy = tmp_path / "copy.sqlite"
    command = [sys.executable, "-m", "rig.cli.main", "backup", str(copy)]
    none = subprocess.run(command, capture_output=True, text=True)
    assert none.returncode == StorageError.exit_code
    assert "There is no run log" in none.stderr
    with RunLog(rig_data / "runs.sqlite") as log:
        recorder = Recorder(log, header(), tmp_path)
        recorder.take(lines(4))
        recorder._commit(sync_raw=False)
        done = subprocess.run(command, capture_output=True, text=True)
        assert (done.returncode, done.stderr) == (0, "")
        recorder.finish(END)
    with RunLog(copy, readonly=True) as kept:
        assert kept.load(1).n_records == 4
    again = subprocess.run(command, capture_output=True, text=True)
    assert again.returncode == StorageError.exit_code
    assert "choose another name" in again.stderr
