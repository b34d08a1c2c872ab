# SPDX-License-Identifier: MIT
"""RelayCoil on gpiozero's mock pins, failing ones included."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fake_gpiod
import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from rig.core.errors import CoilLiveError, HardwareError, InternalFault
from rig.io import chips
from rig.io.gpio import RelayCoil

LINE = 17


class Pin(MockPin):  # type: ignore[misc]
    """A pin that logs every state it was driven to, and can fail."""

    def __init__(self, factory: Any, info: Any) -> None:
        self.log: list[str] = []
        self.failures = 0
        super().__init__(factory, info)

    def _set_function(self, value: str) -> None:
        if hasattr(self, "log"):
            self.log.append(value)
        super()._set_function(value)

    def _set_state(self, value: Any) -> None:
        if self.failures:
            self.failures -= 1
            raise OSError("the chip is gone")
        self.log.append("high" if value else "low")
        super()._set_state(value)


@pytest.fixture
def factory() -> Iterator[Any]:
    made = MockFactory(pin_class=Pin)
    yield made
    made.close()


@pytest.fixture
def coil(factory: Any) -> RelayCoil:
    return RelayCoil(LINE, factory)


def pin(factory: Any) -> Any:
    return factory.pin(LINE)


def test_claimed_low_and_never_high(coil: RelayCoil, factory: Any) -> None:
    assert pin(factory).log == ["output", "low"]
    assert not coil.commanded_on


def test_on_is_high_and_off_is_low(coil: RelayCoil, factory: Any) -> None:
    coil.on()
    assert pin(factory).state == 1
    assert coil.commanded_on
    coil.off()
    assert pin(factory).state == 0
    assert not coil.commanded_on


def test_off_works_any_number_of_times(coil: RelayCoil, factory: Any) -> None:
    for _ in range(3):
        coil.off()
    coil.on()
    for _ in range(3):
        coil.off()
    assert pin(factory).state == 0


def test_close_is_off_first_then_given_back(coil: RelayCoil, factory: Any) -> None:
    coil.on()
    pin(factory).log.clear()
    coil.close()
    assert pin(factory).log == ["low", "input"]
    coil.close()
    coil.off()
    assert pin(factory).log == ["low", "input"]
    assert not coil.commanded_on


def test_a_closed_line_is_not_commanded_on(coil: RelayCoil) -> None:
    coil.close()
    with pytest.raises(HardwareError, match="closed"):
        coil.on()
    assert not coil.commanded_on


def test_off_that_fails_once_is_written_again(coil: RelayCoil, factory: Any) -> None:
    coil.on()
    pin(factory).failures = 1
    coil.off()
    assert pin(factory).state == 0


def test_off_that_cannot_be_written_gives_the_line_up_and_says_so(
    coil: RelayCoil, factory: Any
) -> None:
    coil.on()
    pin(factory).failures = 99
    with pytest.raises(
        CoilLiveError, match=r"^COIL STILL LIVE: .*the chip is gone.*mushroom stop or pull the fuse"
    ):
        coil.off()
    assert not coil.commanded_on
    assert pin(factory).function == "input"  # its pull-down now decides
    with pytest.raises(CoilLiveError):  # and stays that way
        coil.off()
    with pytest.raises(HardwareError):
        coil.on()
    with pytest.raises(CoilLiveError):
        coil.close()
    coil.close()


def test_on_that_fails_counts_as_on_until_off(coil: RelayCoil, factory: Any) -> None:
    pin(factory).failures = 1
    with pytest.raises(HardwareError, match="could not be commanded on"):
        coil.on()
    assert coil.commanded_on
    coil.off()
    assert not coil.commanded_on


def test_close_gives_the_line_back_even_when_off_fails(coil: RelayCoil, factory: Any) -> None:
    coil.on()
    pin(factory).failures = 99
    with pytest.raises(CoilLiveError, match="could not be commanded off"):
        coil.close()
    assert pin(factory).function == "input"
    coil.close()


def test_a_line_in_use_is_refused(coil: RelayCoil, factory: Any) -> None:
    with pytest.raises(HardwareError, match=r"Relay line 17 cannot be claimed.*in use"):
        RelayCoil(LINE, factory)


def test_a_line_the_board_does_not_have(factory: Any) -> None:
    with pytest.raises(HardwareError, match=r"Relay line 77 .*key \"line\" of \[relay\]"):
        RelayCoil(77, factory)


class Busy(MockFactory):  # type: ignore[misc]
    def pin(self, name: Any, **_: Any) -> Any:
        raise Exception("'GPIO busy'")


def test_a_busy_line_names_its_owner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    node = tmp_path / "gpiochip0"
    kernel = fake_gpiod.kernel([node], ["pinctrl-rp1"])
    kernel.line(str(node), LINE).consumer = "w1-gpio"
    monkeypatch.setattr(chips, "gpiod_module", kernel.package)
    with pytest.raises(HardwareError, match=r"GPIO busy\. It is in use by \"w1-gpio\""):
        RelayCoil(LINE, Busy(), str(node))


def test_a_machine_that_is_no_raspberry_pi() -> None:
    from gpiozero.exc import PinUnknownPi

    class Unknown(MockFactory):  # type: ignore[misc]
        def pin(self, name: Any, **_: Any) -> Any:
            raise PinUnknownPi("unable to locate Pi revision")

    with pytest.raises(HardwareError, match="this machine is not one"):
        RelayCoil(LINE, Unknown())


def test_no_factory_is_refused() -> None:
    with pytest.raises(InternalFault, match="needs a factory"):
        RelayCoil(LINE, None)


def test_the_relay_uses_the_factory_it_was_given(factory: Any) -> None:
    """gpiozero's own global factory is never made, so it can never fall back."""
    code = (
        "import gpiozero, warnings; warnings.simplefilter('error')\n"
        "from gpiozero.pins.mock import MockFactory; from rig.io.gpio import RelayCoil\n"
        "RelayCoil(17, MockFactory()).close()\n"
        "assert gpiozero.Device.pin_factory is None"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
