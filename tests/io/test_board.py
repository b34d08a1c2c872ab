# SPDX-License-Identifier: MIT
"""Opening and closing a board on stand-ins; tests/kernel opens it on a real kernel."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import fake_gpiod
import pytest
from gpiozero.pins.mock import MockFactory
from test_serial_link import Peer

from rig.config.setup.model import Setup
from rig.core.errors import CoilLiveError, HardwareError
from rig.core.ports import Hardware
from rig.io import board as board_module
from rig.io import chips, gpio, lgpio_loading
from rig.io.board import open_board
from rig.io.gauges import open_gauge, streaming
from rig.io.gauges.serial_link import SerialLink
from rig.io.real_time import RealWorld

LABEL = "pinctrl-rp1"
RELAY, SWITCH_LINE, READBACK_LINE = 17, 22, 27


def setup(port: str | None, **changes: Any) -> Setup:
    plan: dict[str, Any] = {
        "backend": "board",
        "medium": "air",
        "chip": LABEL,
        "coil": {"feed_side": "supply", "supply_voltage": 12.6, "fuse": 5.0, "resistance": 14.5},
        "relay": {"line": RELAY},
        "switch": {"line": SWITCH_LINE, "contact": "normally open"},
        "readback": {"line": READBACK_LINE},
    }
    if port is not None:
        plan["gauge"] = {
            "port": port,
            "pattern": "{pressure} {unit}",
            "period": 0.1,
            "measuring_range": (0.0, 700.0),
            "expected_range": (100.0, 400.0),
        }
    return Setup.model_validate(plan | changes, context={"resolved": True})


class Factory(MockFactory):  # type: ignore[misc]
    """A mock factory that knows whether it was closed, and what its pins were before."""

    def __init__(self, chip: int) -> None:
        super().__init__()
        self.chip, self.closed = chip, False
        self.at_close: dict[int, tuple[str, Any]] = {}

    def close(self) -> None:
        self.closed = True
        for info, pin in self.pins.items():
            self.at_close[int(info.name.removeprefix("GPIO"))] = (pin.function, pin.state)
        super().close()


class Machine:
    """A kernel with one chip, and every factory that was made."""

    def __init__(self, node: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.path = str(node)
        self.kernel = fake_gpiod.kernel([node], [LABEL])
        self.factories: list[Factory] = []
        monkeypatch.setattr(chips, "gpiod_module", self.kernel.package)
        monkeypatch.setattr(chips, "_nodes", lambda _dev: [node])
        monkeypatch.setattr(lgpio_loading, "load_factory_class", lambda: self._make)

    def _make(self, chip: int) -> Factory:
        self.factories.append(Factory(chip))
        return self.factories[-1]

    def everything_is_closed(self) -> bool:
        return self.kernel.open_requests == [] and all(made.closed for made in self.factories)


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(tmp_path / "gpiochip11", monkeypatch)


@pytest.fixture
def peer(tmp_path: Path) -> Iterator[Peer]:
    made = Peer(tmp_path / "gauge")
    yield made
    made.close()


def test_everything_is_opened_once_and_nothing_is_energised(machine: Machine, peer: Peer) -> None:
    hardware: Hardware = open_board(setup(str(peer.name)))
    (factory,) = machine.factories
    assert factory.chip == 11
    assert factory.pin(RELAY).function == "output"
    assert factory.pin(RELAY).state == 0
    assert not hardware.coil.commanded_on
    (request,) = machine.kernel.open_requests
    assert set(request.config) == {SWITCH_LINE, READBACK_LINE}
    assert hardware.edges.lines == ("switch", "readback")
    assert hardware.gauge is not None
    assert hardware.gauge.fileno() is not None
    assert isinstance(hardware.world, RealWorld)
    assert hardware.source == "board"
    told = hardware.description
    assert told["chip"] == machine.path
    assert told["chip label"] == LABEL
    assert told["gauge port"] == str(peer.name)
    assert {"gpiozero", "gpiod", "pyserial", "factory"} <= told.keys()
    hardware.close()
    hardware.close()
    assert machine.everything_is_closed()
    assert hardware.gauge.fileno() is None
    assert hardware.edges.fileno() is None


def test_without_gauge_and_readback(machine: Machine) -> None:
    hardware = open_board(setup(None, readback=None))
    assert hardware.gauge is None
    assert hardware.edges.lines == ("switch",)
    assert "gauge port" not in hardware.description
    hardware.close()
    assert machine.everything_is_closed()


def test_closing_commands_off_and_gives_the_line_back_before_the_chip(machine: Machine) -> None:
    hardware = open_board(setup(None))
    hardware.coil.on()
    hardware.close()
    assert machine.factories[0].at_close[RELAY] == ("input", False)
    assert machine.everything_is_closed()


def test_the_relay_line_is_given_back_before_any_port_that_may_hang(
    machine: Machine, peer: Peer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hung adapter holds close() up; the line must be low, and free for the guard, by then."""
    seen: list[tuple[str, bool]] = []

    def looking(really: Callable[[Any], None]) -> Callable[[Any], None]:
        def close(port: Any) -> None:
            pin = machine.factories[0].pin(RELAY)
            seen.append((pin.function, bool(pin.state)))
            really(port)

        return close

    for kind in (SerialLink, board_module.KernelEdges, Factory):
        monkeypatch.setattr(kind, "close", looking(kind.close))
    hardware = open_board(setup(str(peer.name)))
    hardware.coil.on()
    hardware.close()
    assert seen == [("input", False)] * 3


def test_closing_goes_on_when_the_coil_cannot_be_commanded_off(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    hardware = open_board(setup(None))
    hardware.coil.on()

    def fail(_: Any) -> None:
        raise OSError("the chip is gone")

    monkeypatch.setattr(machine.factories[0].pin(RELAY), "_set_state", fail)
    with pytest.raises(CoilLiveError, match="could not be commanded off"):
        hardware.close()
    assert machine.everything_is_closed()
    hardware.close()


def test_emulated_board_is_told_from_sysfs(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(chips, "is_simulated", lambda path: asked.append(path) or True)
    hardware = open_board(setup(None))
    assert hardware.source == "emulated board"
    assert asked == [machine.path]
    hardware.close()


def fail(*_: Any, **__: Any) -> Any:
    raise HardwareError("does not open")


def no_chip(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    machine.kernel.labels[machine.path] = "another"


def no_edges(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    machine.kernel.line(machine.path, SWITCH_LINE).consumer = "somebody"


def no_port(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(open_gauge, "SerialLink", fail)


def no_pattern(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(streaming, "line_decoder", fail)


def no_relay(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_module, "RelayCoil", fail)


def no_source(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chips, "is_simulated", fail)


@pytest.mark.parametrize(
    "breaking",
    [no_chip, no_edges, no_port, no_pattern, no_relay, no_source],
    ids=lambda function: function.__name__,
)
def test_whatever_fails_the_rest_is_closed_again(
    breaking: Callable[[Machine, pytest.MonkeyPatch], None],
    machine: Machine, peer: Peer, monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    breaking(machine, monkeypatch)
    with pytest.raises(HardwareError) as caught:
        open_board(setup(str(peer.name)))
    assert machine.everything_is_closed()
    SerialLink(str(peer.name)).close()  # free again, though the failure is still held
    assert caught.value.exit_code == 4


def test_a_relay_that_is_claimed_but_fails_is_given_back(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """gpiozero claims the pin first and makes it an output second."""
    from gpiozero.pins.mock import MockPin

    def fail_output(_self: Any, value: str) -> None:
        if value == "output":
            raise OSError("refused")

    monkeypatch.setattr(MockPin, "_set_function", fail_output)
    with pytest.raises(HardwareError, match="Relay line 17 cannot be claimed: refused"):
        open_board(setup(None))
    assert machine.everything_is_closed()


def test_a_factory_that_does_not_close_is_told(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    hardware = open_board(setup(None))

    def fail_close() -> None:
        machine.factories[0].closed = True
        raise Exception("bad handle")

    monkeypatch.setattr(machine.factories[0], "close", fail_close)
    with pytest.raises(HardwareError, match=r"given back cleanly \(bad handle\)"):
        hardware.close()
    assert machine.everything_is_closed()


def test_board_factory_says_what_it_is(machine: Machine) -> None:
    made = gpio.board_factory(LABEL)
    assert made.chip_number == 11
    assert made.description["factory"] == "Factory"
    made.factory.close()


def test_a_chip_that_cannot_be_opened_says_what_to_do(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(chip: int) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(lgpio_loading, "load_factory_class", lambda: refused)
    with pytest.raises(HardwareError, match=r"Permission denied.*group gpio"):
        gpio.board_factory(LABEL)
