# SPDX-License-Identifier: MIT
import os
from pathlib import Path

import fake_gpiod
import pytest

from rig.core.errors import HardwareError
from rig.io import chips


def install(monkeypatch: pytest.MonkeyPatch, kernel: fake_gpiod.FakeKernel) -> None:
    monkeypatch.setattr(chips, "gpiod_module", kernel.package)


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> fake_gpiod.FakeKernel:
    """As on a Raspberry Pi 5: several chips, numbers of two digits, an old name kept as a link."""
    labels = {2: "gpio-brcmstb@107d508500", 10: "gpio-brcmstb@107d517c00", 11: "pinctrl-rp1"}
    nodes = [tmp_path / f"gpiochip{n}" for n in labels]
    kernel = fake_gpiod.kernel(nodes, labels.values())
    (tmp_path / "gpiochip4").symlink_to("gpiochip11")
    (tmp_path / "gpiochip-old").touch()
    install(monkeypatch, kernel)
    return kernel


def test_found_by_exact_label_whatever_its_number(
    board: fake_gpiod.FakeKernel, tmp_path: Path
) -> None:
    found = chips.find("pinctrl-rp1", tmp_path)
    assert found == chips.Chip(str(tmp_path / "gpiochip11"), 11, "pinctrl-rp1", 54)


@pytest.mark.parametrize("label", ["pinctrl-rp", "PINCTRL-RP1", "pinctrl-rp1 ", ""])
def test_no_such_label_lists_every_chip(
    label: str, board: fake_gpiod.FakeKernel, tmp_path: Path
) -> None:
    with pytest.raises(HardwareError) as caught:
        chips.find(label, tmp_path)
    words = str(caught.value)
    positions = [words.index(f'gpiochip{n} "{board.labels[str(tmp_path / f"gpiochip{n}")]}"')
                 for n in (2, 10, 11)]  # fmt: skip
    assert positions == sorted(positions)
    assert 'the key "chip" of the setup' in words
    assert "gpiochip4 " not in words


def test_a_chip_without_permission_is_listed_with_what_to_do(
    board: fake_gpiod.FakeKernel, tmp_path: Path
) -> None:
    board.no_permission.add(str(tmp_path / "gpiochip11"))
    with pytest.raises(HardwareError, match=r"gpiochip11 \(no permission\).*group gpio"):
        chips.find("pinctrl-rp1", tmp_path)


def test_no_chip_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(monkeypatch, fake_gpiod.FakeKernel({}))
    with pytest.raises(HardwareError, match=r"no /dev/gpiochip\*.*backend = \"simulated\""):
        chips.find("pinctrl-rp1", tmp_path)


def test_two_chips_with_one_label_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nodes = [tmp_path / "gpiochip0", tmp_path / "gpiochip1"]
    install(monkeypatch, fake_gpiod.kernel(nodes, ["pinctrl-rp1", "pinctrl-rp1"]))
    with pytest.raises(HardwareError, match=r"2 GPIO chips .*gpiochip0, .*gpiochip1\. Which"):
        chips.find("pinctrl-rp1", tmp_path)


def test_missing_package_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "gpiod", None)
    with pytest.raises(HardwareError, match=r"extra \"board\""):
        chips.gpiod_module()


def test_the_old_package_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    old = type(os)("gpiod")
    monkeypatch.setitem(__import__("sys").modules, "gpiod", old)
    with pytest.raises(HardwareError, match="older than version 2"):
        chips.gpiod_module()


# -- whose chip it is, from sysfs laid out as the kernel lays it out


def sysfs(root: Path, device: str, driver: str, node: Path) -> Path:
    """A sysfs in which the device of `node` stands below a platform device bound to `driver`."""
    stat = node.stat().st_rdev
    platform = root / "devices/platform" / device
    (platform / "gpiochip0").mkdir(parents=True)
    home = root / "bus/platform/drivers" / driver
    home.mkdir(parents=True)
    (platform / "driver").symlink_to(home)
    char = root / "dev/char"
    char.mkdir(parents=True)
    (char / f"{os.major(stat)}:{os.minor(stat)}").symlink_to(platform / "gpiochip0")
    return root


@pytest.mark.parametrize(
    ("device", "driver", "simulated"),
    [
        ("gpio-sim.0", "gpio-sim", True),
        ("gpio-mockup.0", "gpio-mockup", True),
        ("1f000d0000.gpio", "rp1-gpio", False),
        ("gpio-sim.0", "rp1-gpio", False),  # names may lie, the driver does not
    ],
)
def test_simulator_is_told_by_its_driver(
    device: str, driver: str, simulated: bool, tmp_path: Path
) -> None:
    node = Path("/dev/null")
    assert chips.is_simulated(str(node), sysfs(tmp_path, device, driver, node)) is simulated


def test_a_chip_the_kernel_does_not_list_is_not_called_simulated(tmp_path: Path) -> None:
    assert not chips.is_simulated("/dev/null", tmp_path)
    assert not chips.is_simulated(str(tmp_path / "gone"), tmp_path)
