# SPDX-License-Identifier: MIT
"""Pin the libraries anew: `python3 tests/run.py renew [--newest]`, in the project's environment.

Writes rig/constraints.txt: of each library the version, and the SHA-256 of what may be installed of
it on Linux, by extra. Without an option the versions are those that this environment holds, which
are the ones that its tests ran with; `--newest` takes the newest that fit (pylock.toml, PEP 751, is
what the resolver writes; wheel names are by PEP 427).
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from rig.pins import HEADING, PINNED_PYTHONS, PINS  # noqa: E402

PROJECT = ROOT / "pyproject.toml"
(_, OLDEST), (_, NEWEST) = PINNED_PYTHONS
TRIED = (11, 13)
"""Minor versions of Debian 12 and 13: where one has no wheel, the source is taken as well."""
MACHINES = ("x86_64", "aarch64")
BUILD = "build"
ABOUT = """\
# Written by `python3 tests/run.py renew`. Sections: base, the extras of pyproject.toml beyond it,
# and what compiling takes; rig/pins.py reads them. Hashes: wheels for Linux, and sources only where
# there is no wheel, so that nothing large is ever compiled on a small board.
"""


def resolve(words: list[str], pins: Path | None, source: Path = PROJECT) -> list[dict[str, Any]]:
    """Packages with their files, as the resolver has them."""
    with tempfile.TemporaryDirectory() as folder:
        lock = Path(folder) / "pylock.toml"
        fixed = ["--constraint", str(pins)] if pins else []
        command = [sys.executable, "-m", "uv", "pip", "compile", str(source), "--universal",
                   "--python-version", f"3.{OLDEST}", "--no-config", "--quiet", *words, *fixed,
                   "--format", "pylock.toml", "--output-file", str(lock)]  # fmt: skip
        subprocess.run(command, check=True)
        packages: list[dict[str, Any]] = tomllib.loads(lock.read_text())["packages"]
    return packages


def fits(name: str, minor: int, machine: str) -> bool:
    """Whether a wheel can be installed on Linux with Python 3.`minor` on `machine`."""
    python, abi, platform = name.removesuffix(".whl").split("-")[-3:]
    if platform != "any" and not re.search(rf"manylinux\w*_{machine}\b", platform):
        return False
    if "py3" in python.split("."):
        return True
    tag = re.fullmatch(r"cp3(\d+)", python)
    if tag is None:
        return False
    exact = int(tag[1]) == minor and abi == python
    return exact or (int(tag[1]) <= minor and "abi3" in abi.split("."))


def name_of(file: dict[str, Any]) -> str:
    return str(file.get("name") or file["url"].rpartition("/")[2])


def entry(package: dict[str, Any]) -> str:
    """One requirement with its hashes."""
    wheels = package.get("wheels", [])
    kept = [
        wheel
        for wheel in wheels
        if any(fits(name_of(wheel), n, m) for n in range(OLDEST, NEWEST + 1) for m in MACHINES)
    ]
    covered = all(
        any(fits(name_of(wheel), n, m) for wheel in kept) for n in TRIED for m in MACHINES
    )
    files = kept if covered or "sdist" not in package else [*kept, package["sdist"]]
    marker = package.get("marker", "").replace(f"python_full_version >= '3.{OLDEST}'", "")
    marker = re.sub(r"^\s*and\s+|\s+and\s*$", "", marker).strip()
    line = f"{package['name']}=={package['version']}" + (f" ; {marker}" if marker else "")
    return " \\\n    ".join(
        [line, *(f"--hash=sha256:{file['hashes']['sha256']}" for file in files)]
    )


def main(words: list[str]) -> int:
    """Write the file."""
    extras = list(tomllib.loads(PROJECT.read_text())["project"]["optional-dependencies"])
    with tempfile.TemporaryDirectory() as folder:
        pins: Path | None = None
        if "--newest" not in words:
            pins = Path(folder) / "held.txt"
            held = subprocess.run(
                [sys.executable, "-m", "pip", "freeze", "--exclude-editable"],
                check=True, capture_output=True, text=True,
            )  # fmt: skip
            pins.write_text("".join(f"{x}\n" for x in held.stdout.split() if "==" in x))
        together = resolve([word for extra in extras for word in ("--extra", extra)], pins)
        all_pins = Path(folder) / "all.txt"
        all_pins.write_text("".join(f"{x['name']}=={x['version']}\n" for x in together))
        build = Path(folder) / "build.in"
        build.write_text("\n".join(tomllib.loads(PROJECT.read_text())["build-system"]["requires"]))
        sections = {"base": resolve([], all_pins), BUILD: resolve([], None, build)}
        base = {package["name"] for package in sections["base"]}
        for extra in extras:
            found = resolve(["--extra", extra], all_pins)
            sections[extra] = [package for package in found if package["name"] not in base]
    parts = [ABOUT]
    for section, packages in sections.items():
        parts += [HEADING.format(section), *(entry(package) + "\n" for package in packages)]
    PINS.write_text("".join(parts))
    print(f"{PINS.relative_to(ROOT)}: {sum(map(len, sections.values()))} entries")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
