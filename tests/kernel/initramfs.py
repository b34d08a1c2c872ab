# SPDX-License-Identifier: MIT
"""The guest's first file system: static busybox, kernel modules, and the start script.

Written in the "newc" cpio format of the kernel's Documentation/driver-api/early-userspace/
buffer-format.rst: an ASCII header of thirteen 8-digit hexadecimal fields after the magic 070701,
name and data each padded to four bytes.
"""

from __future__ import annotations

import gzip
import lzma
import re
import stat
from pathlib import Path

GPIO_SIM = "gpio-sim"
# In this order, each after what it depends on.
MODULES = (
    "9pnet_virtio", "9p", "overlay", "configfs", GPIO_SIM, "softdog", "i6300esb",
    "xhci_pci", "ftdi_sio", "virtio_blk", "crc32c_generic", "ext4",
)  # fmt: skip


def _member(name: str, mode: int, data: bytes = b"", device: tuple[int, int] = (0, 0)) -> bytes:
    path = name.encode() + b"\0"
    fields = (0, mode, 0, 0, 1, 0, len(data), 0, 0, *device, len(path), 0)
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + path
    head += b"\0" * (-len(head) % 4)
    return head + data + b"\0" * (-len(data) % 4)


def pack(init: Path, busybox: Path, modules: list[Path]) -> bytes:
    """The compressed archive. `modules` are loaded by the start script in the order given."""
    parts = [_member(name, stat.S_IFDIR | 0o755) for name in ("bin", "dev", "proc", "sys", "m")]
    parts.append(_member("dev/console", stat.S_IFCHR | 0o600, device=(5, 1)))
    parts.append(_member("bin/busybox", stat.S_IFREG | 0o755, busybox.read_bytes()))
    parts.append(_member("init", stat.S_IFREG | 0o755, init.read_bytes()))
    for number, module in enumerate(modules):
        parts.append(
            _member(f"m/{number:02}-{module.name}", stat.S_IFREG | 0o644, module.read_bytes())
        )
    parts.append(_member("TRAILER!!!", 0))
    return gzip.compress(b"".join(parts), compresslevel=6, mtime=0)


def read_module(path: Path) -> bytes:
    """A module's contents; Debian compresses them with xz."""
    data = path.read_bytes()
    return lzma.decompress(data) if path.suffix == ".xz" else data


def _name(path: Path) -> str:
    return path.name.split(".ko")[0].replace("-", "_")


def collect_modules(tree: Path, own: dict[str, Path]) -> list[tuple[str, bytes]]:
    """MODULES and all they depend on, in loading order, as (file name, contents).

    `tree` is the kernel's module folder, `own` holds modules built here by name. A wanted module
    found in neither must be built into this kernel; LookupError where it is not.
    """
    files = {_name(path): path for path in tree.rglob("*.ko*")}
    files.update({name.replace("-", "_"): path for name, path in own.items()})
    built_in = {_name(Path(line)) for line in (tree / "modules.builtin").read_text().split()}
    order: dict[str, bytes] = {}

    def add(name: str) -> None:
        name = name.replace("-", "_")
        if name in order or name in built_in:
            return
        if name not in files:
            raise LookupError(f"this kernel has no module {name}")
        data = read_module(files[name])
        needs = re.search(rb"\0depends=([^\0]*)\0", data)  # the module's own information section
        for need in needs.group(1).decode().split(",") if needs else ():
            if need:
                add(need)
        order[name] = data

    for wanted in MODULES:
        add(wanted)
    return [(f"{name}.ko", data) for name, data in order.items()]
