# SPDX-License-Identifier: MIT
"""From the host: a disk with two releases of this checkout, as the installer lays them out, for a
guest that boots the host's own service manager.

A release's environment normally takes an hour to make on an emulated processor. Here it is made of
the libraries of the checkout's environment, which the guest sees in a place that the units do not
hide. Everything else - units, account, rules, folders, links - is written in the guest by
`python3 -m rig.install` itself.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

from board import LABEL, LINES, READBACK, RELAY, SWITCH
from machine import CHECKOUT, JOB
from machine import HERE as KERNEL

from rig.debian import CannotSetUp
from rig.install import releases

HERE = Path(__file__).resolve().parent
DISK_MIB = 512
LIBRARIES = "/opt/rig-libraries"
NOW, NEXT, NEXT_RELEASE = "/opt/checkout", "/opt/next", "/opt/next-release"
"""Checkouts, and the release of the second: the installer removes what it has not put into use."""
HIDDEN = ("/root", "/home", "/run/user")
"""By ProtectHome= of the units."""
SIMULATED_INSTEAD = (
    ('backend = "board"\n', 'backend = "simulated"\n'),
    ('chip = "pinctrl-bcm2711"\n', ""),
    ("[limits]\n", '[simulated]\nseed = 7\n\n[limits]\nloop_late = "500 ms"\n'),
    ("strokes = 200\n", "strokes = 5\n"),
    ('on_time = "3 s"\n', 'on_time = "1 s"\n'),
)
ENVIRONMENT = """\
RIG_SETUP=/etc/rig/bench.setup.toml
RIG_SHEET=/etc/rig/bench.sheet.toml
RIG_OPTIONS=--confirmed-by test --accept-not-watched --valve V1
"""
SIMULATED = "simulated"
SEEN_REVISION = "[Service]\nBindReadOnlyPaths=/run/cpuinfo:/proc/cpuinfo\n"
"""The unit's own view of /proc hides what guest_board.py put there; no board needs this."""
BOARD = f"{JOB}/board.json"
LINE_LOG = f"{JOB}/line.log"
PREPARED = f"{JOB}/prepared"
"""Seconds since power-up at the beginning and end of what only the test does before the boot."""


def interpreter() -> str:
    """This Python where the units can see it, else the system's own of the same version."""
    real = str(Path(sys.executable).resolve())
    if not real.startswith(HIDDEN):
        return real
    system = "/usr/bin/python3"
    version = f"import sys; print(sys.version_info[:2] == {sys.version_info[:2]})"
    done = subprocess.run([system, "-c", version], capture_output=True, text=True)
    if done.stdout.strip() != "True":
        raise CannotSetUp(
            f"{real} lies where the units see nothing, and {system} is another version."
        )
    return system


def make(path: Path) -> None:
    """An ext4 image at `path`; its folder takes the content first."""
    upper = path.parent / "content/upper"
    _checkout(upper / NOW[1:])
    _checkout(upper / NEXT[1:], another=True)
    _release(upper / NOW[1:], upper / "opt/rig/releases")
    _release(upper / NEXT[1:], upper / NEXT_RELEASE[1:])
    config = upper / "etc/rig"
    config.mkdir(parents=True)
    for name in ("setup", "sheet"):
        shutil.copy(HERE / f"service.{name}.toml", config / f"bench.{name}.toml")
    (config / "bench.env").write_text(ENVIRONMENT)
    for name in ("setup", "sheet"):
        text = (config / f"bench.{name}.toml").read_text()
        for was, is_ in SIMULATED_INSTEAD:
            text = text.replace(was, is_)
        (config / f"{SIMULATED}.{name}.toml").write_text(text)
    (config / f"{SIMULATED}.env").write_text(ENVIRONMENT.replace("bench.", f"{SIMULATED}."))
    (upper / "etc/fstab").write_text("")
    addition = upper / "etc/systemd/system/rig-run@.service.d/emulated.conf"
    addition.parent.mkdir(parents=True)
    addition.write_text(SEEN_REVISION)
    with path.open("wb") as image:
        image.truncate(DISK_MIB << 20)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", upper.parent, path], check=True)
    shutil.rmtree(upper.parent)


def before(*, install: bool, driven: bool = False) -> str:
    """What the guest does before its service manager starts. `driven`: at power-up something holds
    the relay line high."""
    names = f"RELAY={RELAY} SWITCH={SWITCH} READBACK={READBACK}"
    line = f"$lines/sim_gpio{RELAY}"
    python = "/usr/bin/python3"
    uptime = f"cut -d' ' -f1 /proc/uptime >> {PREPARED}"
    words = [
        uptime,
        "export PATH=/usr/sbin:/usr/bin:/sbin:/bin LANG=C.UTF-8",
        f"mkdir -p {LIBRARIES} /run/work",
        f"mount --bind {sysconfig.get_path('purelib')} {LIBRARIES}",
        f"{python} {KERNEL}/guest_board.py {LABEL} {LINES} {names} > {BOARD}",
        f'lines=$({python} -c \'import json; print(json.load(open("{BOARD}"))["lines"])\')',
        f"echo pull-up > $lines/sim_gpio{SWITCH}/pull",
        f"{python} {HERE}/guest_latched_line.py {line}/value {line}/pull {LINE_LOG}"
        + " high" * driven,
    ]
    if install:
        words += [f"chown -R 0:0 /opt/rig /etc/rig {NOW} {NEXT} {NEXT_RELEASE}",
                  f"cd {NOW} && {python} -m rig.install > {JOB}/install.log 2>&1",
                  f"echo $? >> {JOB}/install.log"]  # fmt: skip
    return "\n".join([*words, uptime, ""])


def _checkout(into: Path, *, another: bool = False) -> None:
    for name in releases.files_of(CHECKOUT):
        target = into / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(CHECKOUT / name, target)
    if another:
        with (into / "README.md").open("a") as readme:
            readme.write("\nAnother release.\n")


def _release(checkout: Path, into: Path) -> None:
    """The checkout's release, complete as rig.install.releases sees it."""
    place = into / releases.name_of(checkout)
    shutil.copytree(checkout, place)
    venv, python = place / ".venv", interpreter()
    site = venv / f"lib/python{sys.version_info[0]}.{sys.version_info[1]}/site-packages"
    (venv / "bin").mkdir(parents=True)
    site.mkdir(parents=True)
    (venv / "bin/python").symlink_to(python)
    (venv / "pyvenv.cfg").write_text(f"home = {Path(python).parent}\n")
    guest_place = f"/opt/rig/releases/{place.name}"
    (site / "rig.pth").write_text(f"{guest_place}\n{LIBRARIES}\n")
    shebang = f"#!{guest_place}/.venv/bin/python\n"
    script = venv / "bin/rig"
    script.write_text(shebang + "import sys\nfrom rig.cli.main import main\nsys.exit(main())\n")
    script.chmod(0o755)
    (venv / "set-up.json").write_text("{}")
    subprocess.run([python, "-m", "compileall", "-q", "rig", "webui"], cwd=place, check=True)
