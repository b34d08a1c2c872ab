# SPDX-License-Identifier: MIT
"""Build the emulated machine's parts: Debian's kernel, the GPIO simulator module, an initramfs.

Debian's kernels do not ship the GPIO simulator (CONFIG_GPIO_SIM is not set), so the module is
built from the same kernel's source against its own headers. All of it is cached outside the
checkout, one folder a kernel version: ${RIG_KERNEL_CACHE}, else
${XDG_CACHE_HOME:-~/.cache}/solenoid-rig-kernel. A new kernel of the distribution is a new folder.

    python3 tests/kernel/build.py     prepare, and say where the parts are
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import platform
import re
import shutil
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(path) for path in (HERE, HERE.parent.parent) if str(path) not in sys.path]

import apt_packages as apt  # noqa: E402
import initramfs  # noqa: E402

from rig import debian  # noqa: E402
from rig.debian import CannotSetUp  # noqa: E402

QEMU = "qemu-system-x86_64"
SECURITY_SUITE = "deb http://deb.debian.org/debian-security bookworm-security main"
RECIPE = 1  # raise it when what lies in the cache changes shape


class MachineParts(NamedTuple):
    """What machine.py boots."""

    qemu: str
    kernel: Path
    initramfs: Path
    version: str


def cache_root() -> Path:
    chosen = os.environ.get("RIG_KERNEL_CACHE")
    if chosen:
        return Path(chosen).absolute()
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "solenoid-rig-kernel"


def _folder(version: str) -> Path:
    return cache_root() / version


def _complete(folder: Path) -> bool:
    """Whether everything for this kernel is there, made by this recipe."""
    try:
        return (folder / "complete").read_text() == _recipe()
    except OSError:
        return False


def _recipe() -> str:
    return f"{RECIPE} {' '.join(initramfs.MODULES)}"


def _cached_version() -> str | None:
    """The newest complete kernel in the cache, for when apt cannot be asked."""
    try:
        found = [folder for folder in cache_root().iterdir() if _complete(folder)]
    except OSError:
        return None
    return max(found, key=lambda folder: folder.stat().st_mtime).name if found else None


def _wanted_version() -> str | None:
    return apt.kernel_version() or _cached_version()


def missing() -> list[str]:
    """Why this machine cannot run the emulated kernel; empty when nothing known stands against it.

    Changes nothing and takes a second or two.
    """
    if platform.system() != "Linux" or platform.machine() != "x86_64":
        return [f"it is made for Linux on x86-64, and this is {platform.machine()}"]
    version = _wanted_version()
    cached = version is not None and _complete(_folder(version))
    lacking = _lacking_tools(cached)
    if cached and not lacking:
        return []
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        return ["it needs Debian's package tools apt-get and dpkg-deb"]
    if debian.as_root() is not None:
        return []
    reasons = []
    if lacking:
        reasons.append(f"installing packages needs root; type: {debian.apt_command(lacking)}")
    if version is None:
        reasons.append(f"apt knows no kernel of the {apt.SERIES} series; its lists may be old")
    return reasons


def _lacking_tools(cached: bool) -> list[str]:
    """Debian packages of what must be on the path: qemu and, in the guest, mke2fs; a compiler for
    the first build."""
    tools = {QEMU: "qemu-system-x86", "mke2fs": "e2fsprogs"}
    if not cached:
        tools |= {"gcc": "gcc", "make": "make", "strip": "binutils"}
    path = os.environ.get("PATH", os.defpath) + ":/usr/sbin:/sbin"  # not on everyone's path
    return [package for tool, package in tools.items() if not shutil.which(tool, path=path)]


def prepare() -> MachineParts:
    """Install, download and build what is not there yet. Raises CannotSetUp with the reason."""
    reasons = missing()
    if reasons:
        raise CannotSetUp("; ".join(reasons))
    with _locked():
        version = _wanted_version()
        lacking = _lacking_tools(version is not None and _complete(_folder(version)))
        if lacking:
            apt.install(lacking)
            version = _wanted_version()  # the lists are fresh now
        if version is None:
            apt.update()
            version = _wanted_version()
        if version is None:
            raise CannotSetUp(
                f"apt offers no kernel of the {apt.SERIES} series. On Debian 12 it is in the "
                f"security suite only; add this line to /etc/apt/sources.list: {SECURITY_SUITE}"
            )
        if not _complete(_folder(version)):
            version = _build_fresh(version)
        folder, qemu = _folder(version), shutil.which(QEMU)
        if qemu is None:
            raise CannotSetUp(f"{QEMU} is not on the path although its package is installed")
        return MachineParts(qemu, folder / "vmlinuz", _initramfs(folder), version)


@contextmanager
def _locked() -> Iterator[None]:
    """One preparation at a time on this machine."""
    cache_root().mkdir(parents=True, exist_ok=True)
    with (cache_root() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _build_fresh(version: str) -> str:
    """Fill the cache folder of `version`; when the mirror has moved on, of its successor."""
    try:
        _build(version)
    except CannotSetUp:
        if debian.as_root() is None:
            raise
        apt.update()
        version = apt.kernel_version() or version
        _build(version)
    return version


def _build(version: str) -> None:
    folder = _folder(version)
    with tempfile.TemporaryDirectory(dir=cache_root(), prefix="building-") as name:
        work = Path(name)
        apt.download(apt.kernel_packages(version), work)
        root, ready = work / "root", work / "ready"
        ready.mkdir()
        own = {initramfs.GPIO_SIM: build_gpio_sim(root, version, work / "module")}
        modules = initramfs.collect_modules(_unpacked(root, f"lib/modules/{version}"), own)
        (ready / "modules").mkdir()
        for number, (file_name, data) in enumerate(modules):
            (ready / "modules" / f"{number:02}-{file_name}").write_bytes(data)
        shutil.copy2(root / "boot" / f"vmlinuz-{version}", ready / "vmlinuz")
        shutil.copy2(_unpacked(root, "bin/busybox"), ready / "busybox")
        (ready / "complete").write_text(_recipe())
        shutil.rmtree(folder, ignore_errors=True)
        ready.rename(folder)
    apt.say(f"kernel {version} is ready in {folder}")


def _unpacked(root: Path, path: str) -> Path:
    """Where a package's file lies: newer releases have moved /bin and /lib below /usr."""
    for found in (root / path, root / "usr" / path):
        if found.exists():
            return found
    raise CannotSetUp(f"{apt.WHO}: the downloaded packages hold no {path}")


def build_gpio_sim(root: Path, version: str, work: Path) -> Path:
    """Build gpio-sim.ko of `version` from the unpacked packages in `root`."""
    apt.say(f"building the GPIO simulator module for {version}")
    work.mkdir()
    _extract_sources(root / f"usr/src/linux-source-{apt.SERIES}.tar.xz", work)
    sim, irq = work / "gpio-sim.c", work / "irq_sim.c"
    # The interrupt simulator is not in Debian's kernel either and so becomes part of the module:
    # nothing to export, and irq_to_desc() is not available to modules.
    text = re.sub(r"^EXPORT_SYMBOL_GPL.*", "", irq.read_text(), flags=re.MULTILINE)
    text = text.replace("irq_to_desc(irqnum)", "irq_data_to_desc(irq_get_irq_data(irqnum))")
    irq.write_text(text)
    sim.rename(work / "sim.c")
    (work / "Makefile").write_text("obj-m := gpio-sim.o\ngpio-sim-y := sim.o irq_sim.o\n")
    headers = root / f"usr/src/linux-headers-{version}"
    makefile = headers / "Makefile"  # names the common headers where they would be installed
    makefile.write_text(makefile.read_text().replace(" /usr/src/", f" {root}/usr/src/"))
    compiler = re.search(r"(gcc-\d+)", (headers / ".kernelvariables").read_text())
    if compiler and not shutil.which(f"x86_64-linux-gnu-{compiler.group(1)}"):
        apt.install([compiler.group(1)])
    _install_build_libraries(root)
    # The type information for tracing would need one more tool and is not used.
    no_btf = "CONFIG_DEBUG_INFO_BTF_MODULES="
    apt.run(["make", "-C", str(headers), f"M={work}", no_btf, "modules"])
    module = work / "gpio-sim.ko"
    apt.run(["strip", "--strip-debug", str(module)])
    return module


def _extract_sources(archive: Path, into: Path) -> None:
    wanted = {"drivers/gpio/gpio-sim.c", "kernel/irq/irq_sim.c"}
    with tarfile.open(archive, "r|xz") as source:
        for member in source:
            path = member.name.partition("/")[2]
            if path in wanted:
                data = source.extractfile(member)
                if data is not None:
                    (into / Path(path).name).write_bytes(data.read())
                    wanted.discard(path)
            if not wanted:
                return
    raise CannotSetUp(f"{archive.name} does not hold {', '.join(sorted(wanted))}")


def _install_build_libraries(root: Path) -> None:
    """The kernel's prebuilt build tools are not installed, so neither are their libraries."""
    owners = {"libelf.so": ("libelf1t64", "libelf1"), "libz.so": ("zlib1g",)}
    lacking = set()
    for name in ("objtool", "modpost"):
        for tool in root.glob(f"usr/lib/linux-kbuild-*/**/{name}"):
            if tool.is_file():
                needs = apt.run(["ldd", str(tool)])
                lacking |= set(re.findall(r"(\S+?\.so)\S* => not found", needs))
    for library in sorted(lacking):
        known = [name for name in owners.get(library, ()) if apt.knows(name)]
        if not known:
            raise CannotSetUp(f"the kernel's build tools need {library}, and no package is known")
        apt.install(known[:1])


def _initramfs(folder: Path) -> Path:
    """The archive of this kernel and this start script; made again when either changes."""
    init, modules = HERE / "guest_init.sh", sorted((folder / "modules").iterdir())
    key = hashlib.sha256(init.read_bytes() + (HERE / "initramfs.py").read_bytes()).hexdigest()[:12]
    target = folder / f"initramfs-{key}.gz"
    if not target.exists():
        unfinished = folder / "initramfs.new"
        unfinished.write_bytes(initramfs.pack(init, folder / "busybox", modules))
        unfinished.rename(target)
    return target


if __name__ == "__main__":
    try:
        print(*prepare(), sep="\n")
    except CannotSetUp as problem:
        print(problem, file=sys.stderr)
        sys.exit(f"not run because: {problem.what.splitlines()[0]}")
