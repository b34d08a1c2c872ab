# SPDX-License-Identifier: MIT
"""The emulated machine itself: unless these pass, the tests of the rig inside it mean little."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from board import RELAY, SWITCH, Board, Plant, board_up, level, set_pull
from build import MachineParts
from machine import BOOTS_MOST, CHECKOUT, JOB, NO_RESULT, Guest, GuestError, run

pytestmark = pytest.mark.kernel


@pytest.fixture(scope="module")
def guest(machine_parts: MachineParts) -> Iterator[Guest]:
    with Guest(machine_parts, gauge_cable=True) as guest:
        yield guest


@pytest.fixture(scope="module")
def board(guest: Guest) -> Board:
    return board_up(guest)


def test_status_and_output_come_back(guest: Guest) -> None:
    done = guest.run("echo out; echo err >&2; exit 42")
    assert (done.status, done.stdout, done.stderr) == (42, "out\n", "err\n")


def test_it_is_the_prepared_kernel_and_not_the_host(
    guest: Guest, machine_parts: MachineParts
) -> None:
    assert guest.run("uname -r").stdout.strip() == machine_parts.version != os.uname().release


def test_checkout_and_interpreter_stand_at_the_same_paths(guest: Guest) -> None:
    code = "import rig, sys; print(sys.prefix, rig.__file__)"
    done = guest.run(f"{sys.executable} -c '{code}'")
    assert done.status == 0, done
    prefix, package = done.stdout.split()
    assert prefix == sys.prefix
    assert Path(package) == CHECKOUT / "rig/__init__.py"


def test_nothing_written_in_the_guest_reaches_the_host(guest: Guest) -> None:
    mark = CHECKOUT / "written-by-the-guest"
    done = guest.run(f"echo text > {mark} && cat {mark}; echo text > {JOB}/mark")
    assert done.stdout == "text\n", done
    assert not mark.exists()
    assert (guest.folder / "mark").read_text() == "text\n"


def test_a_command_that_hangs_is_reported_and_ended(guest: Guest) -> None:
    job = guest.start("echo begun; sleep 1000")
    with pytest.raises(GuestError, match="begun"):
        job.wait(1.0)
    assert job.wait(20).status != 0


def test_the_gauge_cable_carries_lines_to_a_usb_serial_port(guest: Guest) -> None:
    done = guest.run(
        "stty -F /dev/ttyUSB0 raw -echo 9600; stty -F /dev/ttyS1 raw -echo 9600\n"
        "{ sleep 0.5; echo 12.5 kPa > /dev/ttyS1; } & timeout 20 head -n 1 /dev/ttyUSB0"
    )
    assert done.stdout == "12.5 kPa\n", done
    done = guest.run("head -c 2000 /dev/zero > /dev/ttyUSB0; echo sent to nobody")
    assert done.stdout == "sent to nobody\n", done


def test_the_plant_answers_and_logs_both_sides(guest: Guest, board: Board) -> None:
    assert level(guest, board, SWITCH) == 1
    settings = {"readback_delay_ms": 2, "close_delay_ms": [20], "open_delay_ms": [10], "bounces": 1,
                "bounce_ms": 1}  # fmt: skip
    with Plant(guest, board, **settings) as plant:
        set_pull(guest, board, RELAY, True)  # nobody has claimed it: the pull is its level
        guest.run("sleep 0.2")
        assert level(guest, board, SWITCH) == 0
        set_pull(guest, board, RELAY, False)
        guest.run("sleep 0.2")
        log = plant.finish()
    assert [entry[0] for entry in log["coil"]] == [1, 0]
    assert [entry[0] for entry in log["readback"]] == [1, 0]
    assert [entry[0] for entry in log["switch"]] == [1, 0, 1, 0, 1, 0]
    for earlier, later in ((log["coil"][0], log["switch"][0]), (log["coil"][1], log["switch"][3])):
        assert earlier[1] < earlier[2] < later[1] < later[2]
    assert log["switch"][0][1] - log["coil"][0][2] >= 20_000_000


def test_a_dead_machine_is_no_result_and_its_disk_is_kept(
    machine_parts: MachineParts, tmp_path: Path
) -> None:
    disk = tmp_path / "disk.img"
    with disk.open("wb") as image:
        image.truncate(64 << 20)
    with Guest(machine_parts, disk=disk) as guest:
        done = guest.run(
            "mke2fs -q -t ext4 /dev/vda && mkdir /run/disk && mount -t ext4 /dev/vda /run/disk && "
            "echo synced > /run/disk/file && sync -f /run/disk/file"
        )
        assert done.status == 0, done
        job = guest.start("sleep 1000")
        guest.power_cut()
        assert job.wait(10).status == NO_RESULT
    command = f"mkdir /run/disk; mount /dev/vda /run/disk; cat /run/disk/file {JOB}/name; exit 3"
    done = run(machine_parts, command, 20, {"name": "text\n"}, disk=disk)
    assert (done.status, done.stdout) == (3, "synced\ntext\n")


@pytest.mark.parametrize("panics", [1, 9])
def test_a_kernel_that_panics_before_anything_of_ours_ran_is_booted_again(
    machine_parts: MachineParts, tmp_path: Path, capfd: pytest.CaptureFixture[str], panics: int
) -> None:
    stub = tmp_path / "qemu"
    stub.write_text(
        f"#!/bin/sh\necho >>{tmp_path}/boots\n"
        f"if [ $(wc -l <{tmp_path}/boots) -gt {panics} ]\n"
        f'then exec {machine_parts.qemu} "$@"\nfi\n'
        "for word; do case $word in file,id=console,path=*)\n"
        'echo "Kernel panic - not syncing" >${word#file,id=console,path=};; esac; done\n'
    )
    stub.chmod(0o755)
    machine = Guest(machine_parts._replace(qemu=str(stub)))
    if panics > BOOTS_MOST:
        with pytest.raises(GuestError, match="did not start"):
            machine.__enter__()
        assert len((tmp_path / "boots").read_text().splitlines()) == BOOTS_MOST
        return
    with machine as guest:
        assert guest.run("true").status == 0
    assert "booted again after" in capfd.readouterr().err
