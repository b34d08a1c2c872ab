# SPDX-License-Identifier: MIT
"""Importing lgpio leaves a thread and a FIFO for the life of a process: each test uses its own."""

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.core.errors import HardwareError
from rig.io import lgpio_loading

needs_lgpio = pytest.mark.skipif(
    importlib.util.find_spec("lgpio") is None,
    reason="lgpio has no wheel for this Python; Debian's python3-lgpio serves on a board",
)


def run(code: str, cwd: Path, **environment: str) -> str:
    kept = {name: value for name, value in os.environ.items() if name != "LG_WD"}
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=cwd,
        env=kept | environment, timeout=60,
    )  # fmt: skip
    assert done.stderr == ""
    return done.stdout


LOOK = """
import json, os
from rig.io.lgpio_loading import load_factory_class, load_lgpio
factory = load_factory_class()
fifos = [os.readlink(f"/proc/self/fd/{n}") for n in os.listdir("/proc/self/fd")
         if os.path.islink(f"/proc/self/fd/{n}")]
print(json.dumps({"cwd": os.getcwd(), "LG_WD": os.environ.get("LG_WD"), "name": factory.__name__,
                  "fifos": [f for f in fifos if "lgd-nfy" in f],
                  "same": load_lgpio() is load_lgpio()}))
"""


@needs_lgpio
@pytest.mark.parametrize("given", [True, False])
def test_neither_directory_nor_environment_change_and_no_fifo_has_a_name(
    given: bool, tmp_path: Path
) -> None:
    work, runtime = tmp_path / "work", tmp_path / "runtime"
    work.mkdir()
    runtime.mkdir(mode=0o700)
    name = "LG_WD" if given else "XDG_RUNTIME_DIR"
    seen = json.loads(run(LOOK, work, **{name: str(runtime)}))
    assert seen["cwd"] == str(work)
    assert seen["LG_WD"] == (str(runtime) if given else None)
    assert seen["name"] == "LGPIOFactory"
    assert seen["same"]
    assert list(work.iterdir()) == list(runtime.iterdir()) == []
    assert seen["fifos"]
    for fifo in seen["fifos"]:  # open, in a folder of its own that is gone
        assert fifo.startswith(f"{runtime}/rig-lgpio-")
        assert fifo.endswith("(deleted)")


def test_the_folder_is_private_while_it_exists(tmp_path: Path) -> None:
    code = """
import os, sys
from rig.io import lgpio_loading
def look(name):
    folder = os.environ["LG_WD"]
    print(oct(os.stat(folder).st_mode & 0o7777), name)
    return type(sys)("lgpio")
lgpio_loading.importlib.import_module = look
try: lgpio_loading.load_lgpio()
except lgpio_loading.HardwareError as error: print(error)
"""
    told = run(code, tmp_path)
    assert told.startswith("0o700 lgpio\n")
    assert "empty placeholder" in told  # what pip finds for Python 3.13
    assert "python3-lgpio" in told


def test_lgpio_loaded_by_somebody_else_is_refused(tmp_path: Path) -> None:
    code = """
import sys; sys.modules["lgpio"] = type(sys)("lgpio")
from rig.io.lgpio_loading import HardwareError, load_factory_class
try: load_factory_class()
except HardwareError as error: print(error)
"""
    assert "before the rig could give it a private folder" in run(code, tmp_path)


def test_missing_lgpio_names_the_extra(tmp_path: Path) -> None:
    code = """
import sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name == "lgpio": raise ModuleNotFoundError("No module named 'lgpio'")
sys.meta_path.insert(0, Absent())
from rig.io.lgpio_loading import HardwareError, load_lgpio
try: load_lgpio()
except HardwareError as error: print(error)
"""
    told = run(code, tmp_path)
    assert 'extra "board"' in told
    assert "No module named" in told


@needs_lgpio
def test_a_missing_chip_is_told_in_words(tmp_path: Path) -> None:
    code = """
from rig.io import chips, gpio
from rig.core.errors import HardwareError
chips.find = lambda label: chips.Chip("/dev/gpiochip250", 250, label, 54)
try: gpio.board_factory("pinctrl-rp1")
except HardwareError as error: print(error)
"""
    assert "/dev/gpiochip250 cannot be opened through lgpio (can not open gpiochip)" in run(
        code, tmp_path
    )


@pytest.mark.parametrize("version", ["", "1.6.2", "2.0", "2.0.1", "2.0.1.post1", "2.0.1.post2"])
def test_gpiozero_that_may_drive_the_wrong_chip_is_refused(version: str) -> None:
    with pytest.raises(HardwareError, match=r"2\.0\.1\.post3 is needed"):
        lgpio_loading.check_gpiozero_version(version)


@pytest.mark.parametrize("version", ["2.0.1.post3", "2.0.1.post10", "2.0.2", "2.1", "3.0"])
def test_later_gpiozero_is_taken(version: str) -> None:
    lgpio_loading.check_gpiozero_version(version)


def test_no_folder_to_write_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lgpio_loading.os, "access", lambda *_: False)
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.setattr(lgpio_loading, "_ours", [])
    with pytest.raises(HardwareError, match="Set LG_WD to a folder of this user, mode 0700"):
        lgpio_loading.load_lgpio()


def test_versions_of_the_drivers_are_told() -> None:
    assert {"gpiozero", "gpiod", "pyserial"} <= lgpio_loading.versions().keys()
