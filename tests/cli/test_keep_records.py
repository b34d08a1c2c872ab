# SPDX-License-Identifier: MIT
"""`rig backup` and `rig recover`, and what `rig show` says of a run's clocks and remark."""

import contextlib
import json
import shutil
import sqlite3

import pytest
from logged_runs import call, log_run

from rig.cli import backup, recover, show
from rig.core.clock import ClockChange
from rig.core.errors import StorageError
from rig.runlog.schema import NoLogError
from rig.runlog.store import RunLog


def test_a_copy_is_made_checked_and_never_written_over(rig_data, tmp_path):
    copy = tmp_path / "copy.sqlite"
    with pytest.raises(NoLogError, match="no run log"):
        call(backup.command, copy)
    run = log_run(rig_data, 3)
    with RunLog(rig_data / "runs.sqlite") as busy:  # what a recorder holds while a run goes on
        second = busy.begin_run(busy.load(run).header.__class__.from_json(_other(busy, run)))
        said = call(backup.command, copy).output
    assert f"the last run in it is {second}" in said
    assert "checked the copy" in said
    with RunLog(copy, readonly=True) as kept:
        assert [row.id for row in kept.runs()] == [second, run]
        assert list(kept.load(run).records())
    before = copy.read_bytes()
    with pytest.raises(StorageError, match="choose another name"):
        call(backup.command, copy)
    assert copy.read_bytes() == before


def _other(log, run):
    return json.dumps(json.loads(log.load(run).header.to_json()) | {"uid": "another"})


def test_a_log_of_an_older_form_is_copied_as_it_is(rig_data, tmp_path):
    log_run(rig_data, 3)
    with contextlib.closing(sqlite3.connect(rig_data / "runs.sqlite")) as db, db:
        db.execute("UPDATE alembic_version SET version_num = '0001'")
    said = call(backup.command, tmp_path / "copy.sqlite").output
    assert "an older form" in said


def test_recover_says_what_it_did_and_ends_with_a_code(rig_data):
    done = call(recover.command)
    assert (done.exit_code, "nothing to do" in done.output) == (0, True)
    log_run(rig_data, 3)
    assert "holds everything" in call(recover.command).output
    (rig_data / "raw" / "bad.raw").write_text("no raw file\n")
    done = call(recover.command)
    assert done.exit_code == 4
    assert "bad.raw is not a raw file" in done.output
    assert "Not everything could be recovered" in done.output
    shutil.rmtree(rig_data / "raw")


@pytest.mark.parametrize(
    ("change", "clock"),
    [(ClockChange(3600.0, 0.0), (3600.0, 0.0)), (None, (None, None))],
)
def test_show_says_what_happened_to_the_clocks(rig_data, change, clock):
    run = log_run(rig_data, 3, status="finished")
    with RunLog(rig_data / "runs.sqlite") as log:
        end = log.load(run).end
        log.end_run(run, "finished", end, "Clock stepped.", change)
    shape = json.loads(call(show.command, run, "--json").output)
    assert shape["remark"] == "Clock stepped."
    assert shape["clock"] == {
        "started_utc_s": 1_700_000_000.0, "synchronised": True,
        "stepped_s": clock[0], "slept_s": clock[1],
    }  # fmt: skip
    assert "remark\tClock stepped." in call(show.command, run, "--tsv").output
