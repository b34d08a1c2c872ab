# SPDX-License-Identifier: MIT
"""rig/constraints.txt: complete, hashed, and within what pyproject.toml asks for."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from rig import pins

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())
EXTRAS = PROJECT["project"]["optional-dependencies"]
WANTED = {"base": PROJECT["project"]["dependencies"], **EXTRAS}
HASH = re.compile(r"--hash=sha256:[0-9a-f]{64}")
ENVIRONMENTS = [
    {"python_version": f"3.{n}", "python_full_version": f"3.{n}.2", "platform_machine": machine}
    for n in (11, 13)
    for machine in ("x86_64", "aarch64")
]


def entries(extras: list[str]) -> list[Requirement]:
    """As packaging, a library of its own, reads them (PEP 508)."""
    _, libraries = pins.requirements(extras)
    found = []
    for line in libraries.splitlines():
        assert HASH.search(line), line
        found.append(Requirement(HASH.sub("", line).strip()))
    return found


@pytest.mark.parametrize("section", WANTED)
@pytest.mark.parametrize("environment", ENVIRONMENTS, ids=lambda one: "-".join(one.values()))
def test_each_library_has_one_version_that_fits(section: str, environment: dict[str, str]) -> None:
    held: dict[str, str] = {}
    for one in entries([] if section == "base" else [section]):
        if one.marker is None or one.marker.evaluate(environment):
            (pin,) = one.specifier
            assert pin.operator == "=="
            assert canonicalize_name(one.name) not in held
            held[canonicalize_name(one.name)] = pin.version
    for text in WANTED[section]:
        asked = Requirement(text)
        if asked.marker is None or asked.marker.evaluate(environment):
            assert asked.specifier.contains(held[canonicalize_name(asked.name)]), text


def test_what_compiling_takes_is_pinned_too() -> None:
    build, _ = pins.requirements([])
    assert "setuptools==" in build and HASH.search(build)
    assert pins.sections(pins.PINS.read_text()).keys() == {"base", "build", *EXTRAS}


def test_an_unknown_python_goes_without() -> None:
    assert pins.covered((3, 11)) and pins.covered((3, 14))
    assert not pins.covered((3, 15))
