# SPDX-License-Identifier: MIT
"""The message shown where the emulated kernel cannot run."""

from __future__ import annotations

import platform
import shutil
from pathlib import Path

import apt_packages
import build
import initramfs
import pytest
import ready

from rig import debian
from rig.debian import CannotSetUp

VERSION = "6.12.1+deb12-amd64"


@pytest.fixture(autouse=True)
def _machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """An x86-64 Debian with every tool, an empty cache and nobody to ask for root."""
    monkeypatch.setenv("RIG_KERNEL_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(platform, "machine", lambda: "x86_64")
    monkeypatch.setattr(shutil, "which", lambda name, **_: f"/usr/bin/{name}")
    monkeypatch.setattr(debian, "as_root", lambda: None)
    monkeypatch.setattr(apt_packages, "kernel_version", lambda: VERSION)


def cached(version: str) -> Path:
    folder = build.cache_root() / version
    folder.mkdir(parents=True)
    (folder / "complete").write_text(build._recipe())
    return folder


def lacking(monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    monkeypatch.setattr(
        shutil, "which", lambda name, **_: None if name in names else f"/usr/bin/{name}"
    )


def test_with_tools_and_lists_nothing_is_missing() -> None:
    assert build.missing() == []


def test_another_processor_is_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(platform, "machine", lambda: "aarch64")
    assert build.missing() == ["it is made for Linux on x86-64, and this is aarch64"]


def test_without_root_the_command_to_type_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    lacking(monkeypatch, build.QEMU, "make")
    (reason,) = build.missing()
    assert "needs root; type: " in reason
    assert "qemu-system-x86 make" in reason
    with pytest.raises(CannotSetUp, match="needs root"):
        build.prepare()


def test_with_root_missing_packages_are_no_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    lacking(monkeypatch, build.QEMU, "gcc")
    monkeypatch.setattr(debian, "as_root", list)
    assert build.missing() == []


def test_without_debian_it_runs_only_from_a_filled_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    lacking(monkeypatch, "apt-get")
    monkeypatch.setattr(apt_packages, "kernel_version", lambda: None)
    assert build.missing() == ["it needs Debian's package tools apt-get and dpkg-deb"]
    cached(VERSION)
    assert build.missing() == []


def test_an_unknown_kernel_is_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apt_packages, "kernel_version", lambda: None)
    (reason,) = build.missing()
    assert "6.12" in reason


def test_a_cache_of_another_recipe_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    folder = cached(VERSION)
    assert build._complete(folder)
    monkeypatch.setattr(build, "RECIPE", build.RECIPE + 1)
    assert not build._complete(folder)


@pytest.mark.parametrize(
    ("ci", "outcome"), [("", pytest.skip.Exception), ("true", pytest.fail.Exception)]
)
def test_a_reason_skips_by_hand_and_fails_in_ci(
    monkeypatch: pytest.MonkeyPatch, ci: str, outcome: type[BaseException]
) -> None:
    monkeypatch.setattr(platform, "machine", lambda: "aarch64")
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="not run because: it is made for Linux on x86-64"):
        ready.parts_or_skip()


def test_modules_come_after_what_they_need(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(initramfs, "MODULES", ("top", "inside", "own-one"))
    (tmp_path / "modules.builtin").write_text("kernel/inside.ko\n")
    for name, needs in {"top": "low_er,base", "low-er": "base", "base": ""}.items():
        (tmp_path / f"{name}.ko").write_bytes(b"\0depends=%s\0" % needs.encode())
    own = tmp_path / "elsewhere"
    own.write_bytes(b"\0depends=\0")
    found = [name for name, _ in initramfs.collect_modules(tmp_path, {"own-one": own})]
    assert found == ["base.ko", "low_er.ko", "top.ko", "own_one.ko"]
    monkeypatch.setattr(initramfs, "MODULES", ("absent",))
    with pytest.raises(LookupError, match="absent"):
        initramfs.collect_modules(tmp_path, {})
