# SPDX-License-Identifier: MIT
"""The emulated machine: Debian's kernel in qemu, with the host's own files inside.

The guest sees the host's root read-only over 9p under a throw-away layer in memory, so checkout,
virtual environment and interpreter stand at the same paths as on the host, and nothing the guest
writes reaches the host - except in its job folder, /run/job in the guest and `Guest.folder` on the
host. The processor is emulated (TCG): Python runs about 17 times slower than on the host and the
guest's clock is the host's, so a busy host shows as jitter. Everything in the guest runs as root.

How to add a guest test
-----------------------
1. Take a fixture `guest` of your own in the test file, so that one boot (about 4 s) serves it all:

       @pytest.fixture(scope="module")
       def guest(machine_parts):               # from conftest.py; skips where it cannot run
           with Guest(machine_parts) as guest:
               board_up(guest)                 # board.py: the GPIO simulator, labelled as a Pi's
               yield guest

2. Write what must run inside as a small script `guest_NAME.py` beside the test and print JSON:

       done = guest.python("guest_NAME.py", "argument", timeout_s=60)
       assert done.status == 0, done
       facts = json.loads(done.stdout)

3. `guest.start(...)` leaves a command running: `.wait_for("text", timeout_s)`, `.output()` so far,
   `.wait(timeout_s)`, `.signal("KILL")`. Prefix the command with `exec` where a signal's effect on
   the program itself matters: a shell in between takes the signal too. `guest.power_cut()` kills
   the machine where it stands; what a `disk` image received by then is on the host and may be
   given to the next Guest. Every failed wait shows the console and the command's output. Mark the
   file with `pytestmark = pytest.mark.kernel`.

Times compared between processes of one guest are on one clock (CLOCK_MONOTONIC). Use millisecond
tolerances: these are not the times of a board.
"""

from __future__ import annotations

import os
import select
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

from build import MachineParts

HERE = Path(__file__).resolve().parent
CHECKOUT = HERE.parent.parent
JOB = "/run/job"
NO_RESULT = 125
BOOT_TIMEOUT_S = 180.0
BOOTS_MOST = 3
"""A kernel that changes its own code while qemu runs both processors panics now and then in its
first second, before anything of ours ran: it is booted again, and that is said."""
KERNEL_COMMAND_LINE = (
    "console=ttyS0 quiet loglevel=4 panic=-1 random.trust_cpu=on mitigations=off "
    "no_timer_check"  # the check of the timer's interrupt fails where the host is busy
)
SERVICE_MANAGER = (
    " rig.service systemd.show_status=no systemd.journald.forward_to_console=no "
    + " ".join(
        f"systemd.mask={name}.service"
        for name in ("ldconfig", "systemd-hwdb-update", "systemd-journal-catalog-update",
                     "systemd-update-done", "systemd-random-seed", "systemd-update-utmp",
                     "getty@tty1", "serial-getty@ttyS0")
    )
)  # fmt: skip
"""Without what takes minutes at the first boot, emulated, and has no say in the rig's units."""


class Done(NamedTuple):
    """How a command in the guest ended. `status` is 125 where the guest gave none."""

    status: int
    stdout: str
    stderr: str

    def __repr__(self) -> str:  # as a failed test shows it
        return f"status {self.status}\n--- stdout\n{self.stdout}\n--- stderr\n{self.stderr}"


class GuestError(AssertionError):
    """The guest did not answer in time or stopped; the text shows its console."""


class Job:
    """A command started in the guest."""

    def __init__(self, guest: Guest, name: str, command: str) -> None:
        self.guest, self.name, self.command = guest, name, command

    def _read(self, suffix: str) -> str:
        try:
            return (self.guest.folder / f"{self.name}.{suffix}").read_text(errors="replace")
        except OSError:
            return ""

    def output(self) -> str:
        """Standard output so far."""
        return self._read("out")

    def running(self) -> bool:
        self.guest.poll(0)
        return self.name not in self.guest.ended and self.guest.alive()

    def wait(self, timeout_s: float) -> Done:
        """Wait for the command's end. On the timeout it is killed and GuestError raised."""
        until = time.monotonic() + timeout_s
        while self.name not in self.guest.ended:
            left = until - time.monotonic()
            if not self.guest.alive():
                break
            if left <= 0:
                so_far = Done(NO_RESULT, self.output(), self._read("err"))
                self.guest.start(self._kill("KILL"))  # not waited for: the guest may be dead
                raise GuestError(
                    f"no end after {timeout_s:g} s of: {self.command}\n{so_far}\n"
                    f"{self.guest.console_tail()}"
                )
            self.guest.poll(min(left, 0.5))
        status, told = self._read("rc").strip(), self._read("err")
        if not status:
            told += f"\nno result; {self.guest.how_it_is()}\n{self.guest.console_tail()}"
        return Done(int(status) if status else NO_RESULT, self._read("out"), told)

    def wait_for(self, text: str, timeout_s: float) -> None:
        """Wait until the command has printed `text`; GuestError when it ends or takes longer."""
        until = time.monotonic() + timeout_s
        while text not in self.output():
            if not self.running() or time.monotonic() > until:
                so_far = Done(NO_RESULT, self.output(), self._read("err"))
                raise GuestError(f'"{text}" did not come from: {self.command}\n{so_far}\n'
                                 f"{self.guest.console_tail()}")  # fmt: skip
            self.guest.poll(0.1)

    def _kill(self, name: str) -> str:
        return f'kill -s {name} -- "-$(cat {JOB}/{self.name}.pid)"'

    def signal(self, name: str) -> None:
        """Send a signal (by name, "KILL") to the command's whole process group."""
        if self.running():
            self.guest.run(self._kill(name), 60)


class Guest:
    """One boot of the emulated machine; a context manager.

    `disk`: a raw image, /dev/vda in the guest. `gauge_cable`: /dev/ttyS1 in the guest is joined to
    a USB serial adapter in the same guest, /dev/ttyUSB0 - a gauge's two ends of one cable.
    `arguments`: more for qemu. `before`: a shell script that is run before the host's own service
    manager, systemd, which is then started; the guest's writes go to the disk. `memory_mib` is what
    the guest has, its throw-away layer included.
    """

    def __init__(
        self,
        parts: MachineParts,
        *,
        disk: Path | None = None,
        gauge_cable: bool = False,
        arguments: Sequence[str] = (),
        before: str = "",
        memory_mib: int = 2048,
        processors: int = 2,
    ) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="guest-"))
        self.ended: set[str] = set()
        self._count = 0
        self.boot_s = 0.0
        self._gauge_cable = gauge_cable
        (self.folder / "before.sh").write_text(before)
        self._command = [
            parts.qemu, "-M", "q35", "-accel", "tcg,thread=multi", "-cpu", "max",
            "-smp", str(processors), "-m", str(memory_mib), "-nodefaults", "-display", "none",
            "-no-reboot", "-kernel", str(parts.kernel), "-initrd", str(parts.initramfs),
            "-append", KERNEL_COMMAND_LINE + (SERVICE_MANAGER if before else ""),
            "-chardev", f"file,id=console,path={self.folder}/console", "-serial", "chardev:console",
            "-device", "virtio-serial-pci", "-device", "i6300esb",
            *_shared("root", "/", readonly=True), *_shared("job", str(self.folder)), *arguments,
        ]  # fmt: skip
        if disk is not None:
            self._command += ["-drive", f"file={disk},format=raw,if=none,id=disk,cache=writeback",
                        "-device", "virtio-blk-pci,drive=disk"]  # fmt: skip
        self._start()

    def _start(self) -> None:
        """Start the emulator, with both ends of what leads into it."""
        self._pending = b""
        self._control, far_end = socket.socketpair()
        command = [*self._command, "-chardev", f"socket,id=control,fd={far_end.fileno()}",
                   "-device", "virtserialport,chardev=control,name=control"]  # fmt: skip
        wire: tuple[socket.socket, ...] = ()
        if self._gauge_cable:
            wire = socket.socketpair()
            # A cable keeps nothing for a port that is not open. Only in this direction: qemu waits
            # for ever for room to send what the adapter's end writes.
            wire[1].setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1)
            command += ["-chardev", f"socket,id=near,fd={wire[0].fileno()}",
                        "-chardev", f"socket,id=far,fd={wire[1].fileno()}",
                        "-serial", "chardev:far", "-device", "qemu-xhci",
                        "-device", "usb-serial,chardev=near,id=adapter"]  # fmt: skip
        with (self.folder / "qemu.log").open("wb") as log:
            self._qemu = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                pass_fds=[end.fileno() for end in (far_end, *wire)],
                start_new_session=True,
            )  # fmt: skip
        for end in (far_end, *wire):
            end.close()

    def __enter__(self) -> Guest:
        began, again = time.monotonic(), BOOTS_MOST - 1
        try:
            while "ready" not in self.ended:
                if again and not self.alive() and "Kernel panic" in self.console_tail():
                    print(f"booted again after\n{self.console_tail()}", file=sys.stderr)
                    self._control.close()
                    self._start()
                    began, again = time.monotonic(), again - 1
                if not self.alive() or time.monotonic() - began > BOOT_TIMEOUT_S:
                    raise GuestError(f"the emulated machine did not start\n{self.console_tail()}")
                self.poll(0.5)
        except BaseException:
            self.close()
            raise
        self.boot_s = time.monotonic() - began
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        if kind is not None:
            print(self.console_tail(), file=sys.stderr)
        self.close()

    def alive(self) -> bool:
        return self._qemu.poll() is None

    def how_it_is(self) -> str:
        """Whether qemu runs, or how it ended."""
        code = self._qemu.poll()
        return "the emulated machine runs" if code is None else f"qemu ended with {code}"

    def poll(self, timeout_s: float) -> None:
        """Take in which commands have ended since; waits at most `timeout_s` for news."""
        if not select.select([self._control], [], [], timeout_s)[0]:
            return
        data = self._control.recv(4096)
        if not data:  # qemu has gone; do not spin while it is being reaped
            time.sleep(0.05)
        *names, self._pending = (self._pending + data).split(b"\n")
        self.ended.update(name.decode() for name in names)

    def start(self, command: str, environment: Mapping[str, str] | None = None) -> Job:
        """Start a shell command and let it run. Its folder is the guest's own, /run/work, because
        9p cannot hold the FIFO that lgpio makes where it is started."""
        self._count += 1
        name = f"job{self._count}"
        lines = [f"export {key}={shlex.quote(value)}" for key, value in (environment or {}).items()]
        path = os.environ.get("PATH", "")
        head = [
            f"export PATH={shlex.quote(path)}:/usr/sbin:/sbin:/usr/bin:/bin",
            f"export HOME=/root LANG=C.UTF-8 PYTHONPATH={shlex.quote(str(CHECKOUT))}",
            "cd /run/work",
        ]
        (self.folder / f"{name}.cmd").write_text("\n".join([*head, *lines, command, ""]))
        try:
            self._control.sendall(name.encode() + b"\n")
        except OSError as error:
            raise GuestError(f"the emulated machine is gone\n{self.console_tail()}") from error
        return Job(self, name, command)

    def run(
        self, command: str, timeout_s: float = 120, environment: Mapping[str, str] | None = None
    ) -> Done:
        """Run a shell command and wait for it."""
        return self.start(command, environment).wait(timeout_s)

    def python_command(self, script: str, *arguments: str) -> str:
        """The command line of a script beside this file, with this interpreter and checkout."""
        return shlex.join([sys.executable, str(HERE / script), *arguments])

    def python(
        self,
        script: str,
        *arguments: str,
        timeout_s: float = 120,
        environment: Mapping[str, str] | None = None,
    ) -> Done:
        """Run a script beside this file and wait for it."""
        return self.run(self.python_command(script, *arguments), timeout_s, environment)

    def console_tail(self, lines: int = 30) -> str:
        """The last lines of the kernel's console and of qemu's own messages."""
        text = ""
        for name in ("console", "qemu.log"):
            path = self.folder / name
            if path.exists():
                text += f"--- {name}\n"
                text += "\n".join(path.read_text(errors="replace").splitlines()[-lines:]) + "\n"
        return text

    def power_cut(self) -> None:
        """Kill the machine where it stands: its memory and unwritten caches are gone."""
        if self.alive():
            os.killpg(self._qemu.pid, signal.SIGKILL)
        self._qemu.wait()

    def close(self) -> None:
        """Power off and forget the job folder. Idempotent."""
        self.power_cut()
        self._control.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def _shared(tag: str, path: str, readonly: bool = False) -> list[str]:
    """A host folder for the guest over 9p; `multidevs` because / may span several disks."""
    options = ",readonly=on,multidevs=remap" if readonly else ""
    return ["-fsdev", f"local,id={tag},path={path},security_model=none{options}",
            "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}"]  # fmt: skip


def run(
    parts: MachineParts,
    command: str,
    timeout_s: float,
    files: Mapping[str, str] | None = None,
    **options: Any,
) -> Done:
    """One boot for one shell command, with `files` (name -> text) in its folder /run/job.

    `options` are those of Guest.
    """
    with Guest(parts, **options) as guest:
        for name, text in (files or {}).items():
            (guest.folder / name).write_text(text)
        return guest.run(command, timeout_s)
