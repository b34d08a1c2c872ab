# SPDX-License-Identifier: MIT
"""The README's two commands on fresh Debian machines: `python3 tests/run.py fresh`, as root.

A root of each release is made by debootstrap with python3, git and ca-certificates only, and with
the release's security suite as an installed system has. It is kept outside the checkout
(${RIG_ROOTS_CACHE}, else ${XDG_CACHE_HOME:-~/.cache}/solenoid-rig-roots); each time a copy of it is
used, so that what the commands install stays in the copy. Also callable by itself:

    python3 tests/fresh.py [bookworm|trixie ...] [-- LANE ...]

The lanes after -- are what the second command is given; none means all of them.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from rig import debian  # noqa: E402
from rig.debian import CannotSetUp, say  # noqa: E402

MIRROR = "http://deb.debian.org"
RELEASES = {"bookworm": "Debian 12, Python 3.11.2", "trixie": "Debian 13, Python 3.13"}
PACKAGES = "python3,git,ca-certificates"
COMMANDS = ("demo/run.py", "tests/run.py")


def cache_root() -> Path:
    """Where the pristine roots are kept."""
    chosen = os.environ.get("RIG_ROOTS_CACHE")
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(chosen).absolute() if chosen else Path(cache) / "solenoid-rig-roots"


def ready() -> None:
    """Raises CannotSetUp where a root cannot be made here."""
    if os.geteuid() != 0:
        raise CannotSetUp("making and entering a fresh root needs root")
    if not shutil.which("debootstrap"):
        debian.install_packages(["debootstrap"], "A fresh machine")


def pristine(release: str, architecture: str = "") -> Path:
    """The root of a release as debootstrap leaves it, with its security suite in the sources.
    Another processor's needs its emulator registered with the kernel (qemu-user-static)."""
    place = cache_root() / (f"{release}-{architecture}" if architecture else release)
    if place.is_dir():
        return place
    cache_root().mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=cache_root(), prefix="making-") as making:
        root = Path(making) / release
        say(f"Making a root of {RELEASES[release]} (a minute or two; emulated, ten) ...")
        options = ["--variant=minbase", f"--include={PACKAGES}"]
        options += [f"--arch={architecture}"] if architecture else []
        _run(["debootstrap", *options, release, str(root), f"{MIRROR}/debian"])
        suites = [f"debian {release}", f"debian {release}-updates"]
        suites.append(f"debian-security {release}-security")
        lines = [f"deb {MIRROR}/{suite} main\n" for suite in suites]
        (root / "etc/apt/sources.list").write_text("".join(lines))
        root.rename(place)
    return place


def machine(release: str, folder: Path, architecture: str = "") -> Path:
    """A fresh machine with this checkout, as committed, in /checkout."""
    root = folder / release
    _run(["cp", "-a", str(pristine(release, architecture)), str(root)])
    for name in ("etc/resolv.conf", "etc/ssl/certs/ca-certificates.crt"):
        shutil.copyfile(Path("/", name), root / name)
    (root / "checkout").mkdir()
    archive = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, check=True, capture_output=True)
    subprocess.run(["tar", "-x", "-C", str(root / "checkout")], input=archive.stdout, check=True)
    return root


def run_in(root: Path, command: list[str]) -> int:
    """Exit code of a command in the checkout of a root, in namespaces of its own, so that no mount
    and no process of it stays."""
    inside = "mount -t proc proc proc; mount --rbind /dev dev; exec chroot . /bin/sh -c"
    script = f'{inside} \'cd /checkout && exec "$@"\' sh "$@"'
    environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LANG": "C.UTF-8",
                   "PIP_CERT": "/etc/ssl/certs/ca-certificates.crt"}  # fmt: skip
    environment |= {k: v for k, v in os.environ.items() if k.lower().endswith("_proxy")}
    isolated = ["unshare", "--mount", "--pid", "--fork", "--kill-child"]
    words = [*isolated, "sh", "-c", script, "sh", *command]
    return subprocess.run(words, cwd=root, env=environment, stdin=subprocess.DEVNULL).returncode


def try_release(release: str, lanes: list[str]) -> list[str]:
    """Run both commands; what failed, in words."""
    with tempfile.TemporaryDirectory(dir=cache_root(), prefix="machine-") as folder:
        root = machine(release, Path(folder))
        failed = []
        for script, more in zip(COMMANDS, ([], lanes), strict=True):
            command = ["python3", script, *more]
            say(f"\n== {RELEASES[release]}: {' '.join(command)}")
            code = run_in(root, command)
            if code:
                failed.append(f"{RELEASES[release]}: {' '.join(command)} ended with {code}")
        return failed


def _run(command: list[str]) -> None:
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    if done.returncode:
        sys.stdout.write(done.stdout[-3000:] + done.stderr[-3000:])
        raise CannotSetUp(f"{command[0]} failed with exit code {done.returncode}, see above")


def main(words: list[str]) -> int:
    """Each release in turn; 1 when a command failed on one of them."""
    cut = words.index("--") if "--" in words else len(words)
    try:
        ready()
        cache_root().mkdir(parents=True, exist_ok=True)
        tried = [try_release(release, words[cut + 1 :]) for release in words[:cut] or RELEASES]
    except CannotSetUp as problem:
        say(str(problem))
        return 2
    failed = [line for lines in tried for line in lines]
    say("\n" + ("\n".join(failed) if failed else "Both commands passed on every release."))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
