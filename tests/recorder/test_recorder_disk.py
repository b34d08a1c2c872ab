# SPDX-License-Identifier: MIT
"""Room on the disk, a disk that forgets, and a disk that stalls."""

import json
import os
import threading
from types import SimpleNamespace

import pytest
from recorder_parts import END, lines, sample
from run_headers import header

from rig.core.clock import NS_PER_S, VirtualClock
from rig.core.errors import StorageError
from rig.core.records import Condition
from rig.recorder import disk, process
from rig.recorder.disk import MIN_FREE_MB, STOP_FREE_MB, Room, lost_at_power_off, mount_of
from rig.recorder.raw_file import RawReader
from rig.recorder.recorder import COMMIT_S, LATE_S, STALL_S, Recorder
from rig.runlog.store import RunLog


@pytest.fixture
def log(tmp_path):
    with RunLog(tmp_path / "runs.sqlite") as opened:
        yield opened


@pytest.fixture
def clock():
    return VirtualClock(7 * NS_PER_S)


def pass_s(clock, seconds):
    clock.advance_to(clock.now_ns() + round(seconds * NS_PER_S))


# -- room


def test_free_space_is_what_the_kernel_says(tmp_path):
    stat = os.statvfs(tmp_path)
    # 10^6 bytes a megabyte (SI); other programs write to the same disk meanwhile
    assert disk.free_mb([tmp_path]) == pytest.approx(stat.f_bavail * stat.f_frsize / 1e6, rel=0.05)


def test_the_disk_is_asked_at_most_once_a_second(monkeypatch, clock, tmp_path):
    asked = []
    monkeypatch.setattr(disk, "free_mb", lambda folders: asked.append(1) or 100.0 * len(asked))
    room = Room([tmp_path], clock)
    assert [room.look() for _ in range(5)] == [100.0] * 5
    pass_s(clock, 0.9)
    assert room.look() == 100.0
    pass_s(clock, 0.2)
    assert (room.look(), room.last_mb, len(asked)) == (200.0, 200.0, 2)


def test_a_disk_that_is_gone_has_no_number(clock, tmp_path):
    room = Room([tmp_path / "gone"], clock)
    assert room.look() is None
    room.require()  # what is wrong with it is said by whoever opens the file
    assert room.nearly_full() is None


@pytest.mark.parametrize("how", ["removed", "another file"])
def test_a_watched_file_that_is_gone_makes_the_space_unknown(clock, tmp_path, how):
    path = tmp_path / "run.raw"
    path.write_text("one")
    room = Room([tmp_path], clock)
    room.watch(path)
    assert room.look() > 0
    path.rename(tmp_path / "old")
    if how == "another file":
        path.write_text("two")
    assert room.look() > 0  # not asked again yet
    assert room.look(at_once=True) is None


@pytest.mark.parametrize("free", [MIN_FREE_MB - 0.1, float("nan")])
def test_a_run_does_not_begin_without_room(monkeypatch, log, tmp_path, free):
    monkeypatch.setattr(disk, "free_mb", lambda folders: free)
    with pytest.raises(StorageError, match=r"begins only with 100 MB or more\. Free some space"):
        Recorder(log, header(), tmp_path)
    assert log.runs() == []
    assert list(tmp_path.glob("*.raw")) == []


def test_a_disk_that_fills_up_is_an_error_while_there_is_room_to_close(monkeypatch, log, tmp_path):
    free = [MIN_FREE_MB]
    monkeypatch.setattr(disk, "free_mb", lambda folders: free[0])
    clock = VirtualClock()
    recorder = Recorder(log, header(), tmp_path, clock=clock)
    assert recorder.room.nearly_full() is None
    free[0] = STOP_FREE_MB - 1
    assert recorder.room.nearly_full() is None  # not asked again yet
    pass_s(clock, 1)
    assert "nearly full: 15 MB are free, limit 16 MB" in str(recorder.room.nearly_full())
    assert recorder.finish(END) == "finished"


# -- a disk that forgets

MOUNTS = """\
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:26 / /tmp rw,nosuid - tmpfs tmpfs rw,size=100k
31 22 8:2 / /mnt/with\\040space rw - ext4 /dev/sdb rw
32 31 0:40 / /mnt/with\\040space/inner rw - overlay overlay rw,lowerdir=/l,upperdir={upper}
33 22 0:41 / /seen/twice rw - ext4 /dev/sdc rw
34 22 0:42 / /seen/twice rw - tmpfs tmpfs rw
"""  # the form of proc_pid_mountinfo(5)


@pytest.fixture
def mounts(tmp_path):
    def made(upper="/no/such/folder"):
        path = tmp_path / "mountinfo"
        path.write_text(MOUNTS.format(upper=upper))
        return path

    return made


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/lib/rig", "ext4"),
        ("/tmp", "tmpfs"),
        ("/tmp/rig/deep", "tmpfs"),
        ("/tmpfile", "ext4"),
        ("/mnt/with space/x", "ext4"),
        ("/mnt/with space/inner/x", "overlay"),
        ("/seen/twice/x", "tmpfs"),
    ],
)
def test_the_mount_of_a_path(mounts, path, kind):
    assert mount_of(disk.Path(path), mounts()).kind == kind


def test_what_is_lost_when_the_power_goes_off(mounts, tmp_path):
    path = disk.Path("/mnt/with space/inner/rig")
    assert lost_at_power_off(disk.Path("/var/lib/rig"), mounts()) is None
    assert "kept in memory (tmpfs)" in lost_at_power_off(disk.Path("/tmp/rig"), mounts())
    assert "may be lost" in lost_at_power_off(path, mounts())
    assert "all of it is lost" in lost_at_power_off(path, mounts("/tmp"))
    assert lost_at_power_off(path, mounts("/usr")) is None  # the overlay writes to a disk
    assert lost_at_power_off(path, tmp_path / "no mounts") is None


def test_it_stands_in_the_run(monkeypatch, log, tmp_path):
    monkeypatch.setattr("rig.recorder.recorder.lost_at_power_off", lambda path: "Kept in memory.")
    recorder = Recorder(log, header(), tmp_path)
    assert recorder.remarks == ["Kept in memory."]
    recorder.finish(END, remark="And more.")
    assert log.load(recorder.run_id).remark == "Kept in memory. And more."


# -- a disk that stalls


def stalling(monkeypatch, log, clock, *stalls_s):
    """Each commit takes its time."""
    really, left = log.append_chunk, list(stalls_s)

    def append(*given):
        pass_s(clock, left.pop(0) if left else 0.0)
        really(*given)

    monkeypatch.setattr(log, "append_chunk", append)


def test_a_stall_stands_among_the_records_and_in_the_remark(monkeypatch, log, tmp_path, clock):
    recorder = Recorder(log, header(), tmp_path, clock=clock, real_time=True)
    stalling(monkeypatch, log, clock, STALL_S, STALL_S + 0.2)
    for k in range(3):
        recorder.take(lines(2, 2 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
        assert recorder.committed == 2 * (k + 1) + (k == 2)
    recorder.finish(END)
    run = log.load(recorder.run_id)
    found = list(run.records())
    (behind,) = [record for record in found if isinstance(record, Condition)]
    assert behind.kind == "recorder behind"
    assert behind.detail == "records were committed up to 1.1 s after they arrived"
    assert behind.t_ns == 7 * NS_PER_S + round((2 * COMMIT_S + 2 * STALL_S + 0.2) * NS_PER_S)
    assert [record for record in found if record != behind] == [sample(i) for i in range(6)]
    assert run.remark == "The recorder was up to 1.1 s behind."
    assert [*RawReader(recorder.raw.path).lines()] == b"".join(run.chunks()).splitlines()


def test_a_stall_at_the_very_end_stands_in_the_remark(monkeypatch, log, tmp_path, clock):
    recorder = Recorder(log, header(), tmp_path, clock=clock, real_time=True)
    stalling(monkeypatch, log, clock, 3.0)
    recorder.take([*lines(2)])
    recorder.finish(END)
    run = log.load(recorder.run_id)
    assert list(run.records()) == [sample(0), sample(1)]
    assert run.remark == "The recorder was up to 3.0 s behind."


def test_in_virtual_time_no_stall_enters_the_records(monkeypatch, log, tmp_path, clock):
    recorder = Recorder(log, header(), tmp_path, clock=clock)
    stalling(monkeypatch, log, clock, 3.0)
    recorder.take(lines(2))
    pass_s(clock, COMMIT_S)
    recorder.poll()
    recorder.finish(END)
    run = log.load(recorder.run_id)
    assert (list(run.records()), run.remark) == ([sample(0), sample(1)], "")


class HeldUp:
    """What the teller reads of a recorder; `looked` is set when it has read a lag of zero."""

    def __init__(self):
        self.committed, self.failure, self.room = 12, None, SimpleNamespace(last_mb=700.0)
        self.looked, self._lag_s = threading.Event(), LATE_S

    @property
    def lag_s(self):
        if not self._lag_s:
            self.looked.set()
        return self._lag_s

    @lag_s.setter
    def lag_s(self, lag_s):
        self._lag_s = lag_s


def test_a_stall_is_told_while_it_lasts_and_past_its_limit_ends_the_run(monkeypatch):
    monkeypatch.setattr(process, "STALL_LOOK_S", 0.005)
    read_fd, write_fd = os.pipe()
    held_up = HeldUp()
    told = os.fdopen(read_fd)
    with told, process.StallTeller(held_up, process.Status(write_fd)):
        held_up.lag_s = 2.0  # nothing before this was worth a word
        assert json.loads(told.readline()) == {"committed": 12, "lag_s": 2.0, "free_mb": 700.0}
        held_up.lag_s = process.STALL_LIMIT_S + 1
        assert json.loads(told.readline())["lag_s"] == 9.0
        error = json.loads(told.readline())["error"]
        assert "not taken what was recorded 9 s ago (limit 8 s)" in error
        held_up.lag_s = 10.0
        assert json.loads(told.readline())["lag_s"] == 10.0
        held_up.lag_s = 0.0
        held_up.looked.clear()
        held_up.looked.wait(10)
        held_up.lag_s = 3.0
        assert json.loads(told.readline())["lag_s"] == 3.0  # a second stall; the error came once
    os.close(write_fd)


@pytest.mark.parametrize(
    ("room_mb", "told"), [(15.4, "15 MB"), (9_999, "9999 MB"), (82_132, "82 GB"), (1e6, "1000 GB")]
)
def test_room_is_told_in_a_unit_that_a_person_reads(room_mb, told):
    """1 GB is 1000 MB (SI prefixes, IEC 80000-13)."""
    assert disk.room_words(room_mb) == told
