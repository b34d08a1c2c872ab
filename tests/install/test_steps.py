# SPDX-License-Identifier: MIT
"""Installing below another root: the table and nothing else, twice the same, there and back.

The account, systemctl and the environment's libraries are stand-ins here; `python3 tests/run.py
install` has the real ones.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest

from rig.debian import CannotSetUp
from rig.install import boot, releases, steps, table
from rig.install.doctor import points

CHECKOUT = Path(__file__).parents[2]
BOOT_TEXT = "# as it came\n[pi4]\narm_boost=1\n"
GAUGE = {"KEY": "ID_SERIAL", "VALUE": "Invented_Adapter_0001"}


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    place = tmp_path / "checkout"
    for name in ("rig/a.py", "webui/b.py", "hardware/c.md", "demo/d.toml"):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(name)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        (place / name).write_text(name)
    return place


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "root"
    for folder in ("etc", "boot/firmware", "dev", "proc"):
        (place / folder).mkdir(parents=True)
    (place / "etc/passwd").write_text("root:x:0:0::/root:/bin/sh\n")
    (place / "etc/group").write_text("dialout:x:20:\n")
    (place / "boot/firmware/config.txt").write_text(BOOT_TEXT)
    monkeypatch.setattr(steps.os, "geteuid", lambda: 0)
    monkeypatch.setattr(steps, "run", lambda command: stand_in(place, command))
    monkeypatch.setattr(table.os, "chown", lambda *_: None)
    monkeypatch.setattr(table, "owner_of", lambda *_: (os.getuid(), os.getgid()))
    monkeypatch.setattr(releases.bootstrap.Checkout, "prepare", set_up)
    return place


def stand_in(place: Path, command: list[str]) -> None:
    """What the system's tools leave in the files."""
    if command[0] == "systemd-sysusers":
        with (place / "etc/passwd").open("a") as file:
            file.write("rig:x:990:990::/var/lib/rig:/usr/sbin/nologin\n")
        members = "dialout:x:20:rig\ngpio:x:991:rig\nspi:x:992:rig\n"
        (place / "etc/group").write_text(members)
        return
    assert command[0] == "systemctl"
    wants = place / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir(exist_ok=True)
    for name in (word for word in command if word.endswith(".service")):
        (wants / name).unlink(missing_ok=True)
        if "enable" in command:
            (wants / name).symlink_to(f"../{name}")


def set_up(self: releases.bootstrap.Checkout, extras: list[str]) -> None:
    """An environment whose Python does nothing."""
    assert extras == ["board"]
    (self.venv / "bin").mkdir(parents=True, exist_ok=True)
    python = self.venv / "bin/python"
    python.unlink(missing_ok=True)
    python.symlink_to(shutil.which("true") or "/bin/true")
    self.stamp.write_text("{}")


def everything(root: Path) -> dict[str, tuple[int, bytes]]:
    return {
        str(path.relative_to(root)): (
            path.lstat().st_mode,
            path.read_bytes() if path.is_file() else b"",
        )
        for path in root.rglob("*")
    }


def install(root: Path, checkout: Path, gauge: dict[str, str] | None = None) -> steps.Machine:
    machine = steps.Machine(root)
    steps.install(machine, checkout, None, gauge or {})
    return machine


def test_a_dry_run_says_all_and_does_nothing(
    root: Path, checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = everything(root)
    steps.install(steps.Machine(root, dry=True), checkout, None, GAUGE)
    assert everything(root) == before
    said = capsys.readouterr().out
    for item in table.TABLE:
        what = "write" if item.source else "make the folder"
        assert f"Would {what} {root / item.path} (missing)" in said
    assert "Would put" in said and "Would enable rig-safe.service rig-serve.service" in said
    first, *lines = said.splitlines()
    assert first == "Dry run: this is what would be done, in this order. Nothing is done."
    assert all(line.startswith(("Would ", "No boot lines: ")) for line in lines), lines


def test_a_dry_run_of_the_ways_back_tells_of_nothing_as_done(
    root: Path, checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    install(root, checkout)
    (checkout / "rig/more.py").write_text("")
    install(root, checkout)
    before = everything(root)
    for way in (steps.roll_back, steps.uninstall):
        capsys.readouterr()
        way(steps.Machine(root, dry=True))
        said = capsys.readouterr().out
        assert said.startswith("Dry run: ")
        assert not re.search(r"\b(was|were)\b (not )?(touched|changed|removed)", said), said
    assert everything(root) == before


def test_nothing_but_the_table_is_written(root: Path, checkout: Path) -> None:
    before = everything(root)
    install(root, checkout, GAUGE)
    came = everything(root).keys() - before.keys()
    rows = {item.path for item in table.TABLE}
    parents = {str(parent) for row in rows for parent in Path(row).parents}
    for path in came - rows - parents:
        assert path.startswith((f"{table.HOME}/", "etc/systemd/system/multi-user.target.wants")), (
            path
        )
    assert rows <= came
    for item in table.TABLE:
        assert (root / item.path).stat().st_mode & 0o7777 == item.mode
    rule = (root / table.GAUGE_RULE).read_text()
    assert 'ENV{ID_SERIAL}=="Invented_Adapter_0001", SYMLINK+="rig-gauge"' in rule


def test_a_second_run_changes_nothing(
    root: Path, checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    install(root, checkout, GAUGE)
    before = everything(root)
    assert install(root, checkout).changed == 0  # the gauge's rule stays without its option
    assert everything(root) == before
    assert "nothing was changed" in capsys.readouterr().out


def test_what_was_altered_is_put_right(root: Path, checkout: Path) -> None:
    install(root, checkout)
    unit = root / "etc/systemd/system/rig-safe.service"
    unit.write_text("[Service]\n")
    (root / table.DATA).chmod(0o755)
    assert install(root, checkout).changed == 2
    assert unit.read_text() == (table.FILES / unit.name).read_text()
    assert (root / table.DATA).stat().st_mode & 0o777 == 0o700


def test_upgrade_and_the_way_back(
    root: Path, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(root, checkout)
    home = root / table.HOME
    log = root / table.DATA / "runs.sqlite"
    log.write_bytes(b"recorded")
    monkeypatch.setattr(releases, "keep_log_copy", lambda *_: None)
    first = releases.linked(home, "current")
    for text in ("second", "third"):
        (checkout / "README.md").write_text(text)
        install(root, checkout)
    third = releases.linked(home, "current")
    second = releases.linked(home, "previous")
    assert len({first, second, third}) == 3
    assert {path.name for path in (home / "releases").iterdir()} == {second, third}
    steps.roll_back(steps.Machine(root))
    assert (releases.linked(home, "current"), releases.linked(home, "previous")) == (second, third)
    assert log.read_bytes() == b"recorded"


def test_a_page_that_does_not_start_brings_the_release_before_back(
    root: Path, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    install(root, checkout)
    first = releases.linked(root / table.HOME, "current")
    (checkout / "README.md").write_text("broken")
    machine = steps.Machine(root)
    machine.running = True
    starts: list[list[str]] = []

    def failing(command: list[str]) -> None:
        if "restart" in command:
            starts.append(command)
            if len(starts) == 1:
                raise CannotSetUp("`systemctl restart` failed")

    monkeypatch.setattr(steps, "run", failing)
    with pytest.raises(CannotSetUp, match=f"The release before, {first}, is in use again"):
        steps.install(machine, checkout, None, {})
    assert releases.linked(root / table.HOME, "current") == first
    assert len(starts) == 2


def test_a_run_that_began_meanwhile_keeps_its_release(
    root: Path, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = steps.Machine(root)
    asked: list[int] = []

    def refuse_later() -> None:
        asked.append(machine.changed)
        if (machine.home / "releases").is_dir() and any((machine.home / "releases").iterdir()):
            raise CannotSetUp("A rig is at work")

    monkeypatch.setattr(machine, "require_rights_and_rest", refuse_later)
    with pytest.raises(CannotSetUp, match="at work"):
        steps.install(machine, checkout, None, {})
    assert len(asked) == 2
    assert releases.linked(machine.home, "current") == ""


def test_lines_are_not_driven_off_beside_a_run(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[str]] = []
    monkeypatch.setattr(steps, "run", asked.append)
    monkeypatch.setattr(steps, "benches", lambda: ["4711"])
    monkeypatch.setattr(steps.os, "geteuid", lambda: 0)
    with pytest.raises(CannotSetUp, match="4711"):
        steps.Machine().reload()
    assert asked == []


def test_a_copy_that_was_cut_short_is_made_whole(root: Path, checkout: Path) -> None:
    home = root / table.HOME
    place = home / "releases" / releases.name_of(checkout)
    (place / "rig").mkdir(parents=True)
    (place / "rig/a.py").write_bytes(b"")  # as a full disk or a power cut leaves it
    install(root, checkout)
    assert (place / "rig/a.py").read_text() == "rig/a.py"
    assert releases.is_whole(home, place.name)
    (place / "rig/a.py").write_bytes(b"")  # though it was set up
    found = {point.about: point for point in points(root)}
    assert "not whole" in found["release in use"].found and found["release in use"].remedy
    install(root, checkout)
    assert (place / "rig/a.py").read_text() == "rig/a.py"


def test_a_release_that_is_not_whole_is_never_put_into_use(root: Path, checkout: Path) -> None:
    install(root, checkout)
    home = root / table.HOME
    first = releases.linked(home, "current")
    (checkout / "README.md").write_text("second")
    install(root, checkout)
    second = releases.linked(home, "current")
    (home / "releases" / first / "rig/a.py").write_bytes(b"")
    with pytest.raises(CannotSetUp, match="not those that its name tells"):
        releases.switch(home, first)
    with pytest.raises(CannotSetUp, match="no complete release"):
        steps.roll_back(steps.Machine(root))
    assert releases.linked(home, "current") == second


def test_without_a_release_before_there_is_no_way_back(root: Path, checkout: Path) -> None:
    install(root, checkout)
    with pytest.raises(CannotSetUp, match="no complete release before"):
        steps.roll_back(steps.Machine(root))


def test_uninstalling_leaves_what_the_shop_has(root: Path, checkout: Path) -> None:
    install(root, checkout, GAUGE)
    (root / table.CONFIG / "my.setup.toml").write_text('chip = "pinctrl-rp1"\nrelay.line = 17\n')
    (root / table.DATA / "runs.sqlite").write_bytes(b"recorded")
    install(root, checkout)
    steps.uninstall(steps.Machine(root))
    for item in table.TABLE:
        assert (root / item.path).exists() == item.stays, item.path
    assert (root / table.DATA / "runs.sqlite").read_bytes() == b"recorded"
    assert (root / table.CONFIG / "my.setup.toml").exists()
    assert (root / "boot/firmware/config.txt").read_text() == BOOT_TEXT
    assert not list((root / "etc/systemd/system/multi-user.target.wants").iterdir())


def test_a_running_bench_and_a_missing_right_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = steps.Machine(Path("/"))
    monkeypatch.setattr(steps.os, "geteuid", lambda: 1000)
    with pytest.raises(CannotSetUp) as refused:
        machine.require_rights_and_rest()
    assert refused.value.command == "sudo python3 -m rig.install"
    monkeypatch.setattr(steps.os, "geteuid", lambda: 0)
    monkeypatch.setattr(steps, "benches", lambda: ["4711"])
    with pytest.raises(CannotSetUp, match=r"A rig is at work \(process 4711\)"):
        machine.require_rights_and_rest()


@pytest.mark.parametrize(
    ("facts", "values"),
    [({"ID_SERIAL": "Invented_0001", "ID_SERIAL_SHORT": "0001", "ID_PATH": "p"},
      {"KEY": "ID_SERIAL", "VALUE": "Invented_0001"}),
     ({"ID_SERIAL": "Invented", "ID_PATH": "platform-usb-0:1.2:1.0"},
      {"KEY": "ID_PATH", "VALUE": "platform-usb-0:1.2:1.0"})],
)  # fmt: skip
def test_a_gauge_is_told_by_its_number_or_its_socket(
    facts: dict[str, str], values: dict[str, str]
) -> None:
    """ID_SERIAL without ID_SERIAL_SHORT is the model's name alone (udev's usb_id, from memory)."""
    assert steps.gauge_values("/dev/ttyUSB0", facts) == values
    with pytest.raises(CannotSetUp, match="knows no serial adapter at /dev/ttyUSB7"):
        steps.gauge_values("/dev/ttyUSB7", {})


# -- boot lines ------------------------------------------------------------------------------------


def test_boot_lines_hold_the_pins_of_the_setups(tmp_path: Path) -> None:
    for name in ("bench.setup.toml", "engine-with-sensors.setup.toml"):
        shutil.copy(CHECKOUT / "hardware" / name, tmp_path)
    (tmp_path / "class.setup.toml").write_text('backend = "simulated"\nrelay.line = 4\n')
    lines, converter = boot.driven_lines(tmp_path)
    assert 17 in lines and 4 not in lines
    assert converter
    text = boot.with_block(BOOT_TEXT, boot.block(lines, converter))
    assert text.startswith(BOOT_TEXT + boot.BEGIN + "[all]\n")
    assert "gpio=17=op,dl\n" in text and "dtparam=spi=on\n" in text
    assert boot.with_block(text, boot.block(lines, converter)) == text
    assert boot.with_block(text, "") == BOOT_TEXT
    assert boot.with_block(text + "mine=1\n", "") == BOOT_TEXT + "mine=1\n"


def test_a_setup_that_cannot_be_read_and_half_a_block_are_refused(tmp_path: Path) -> None:
    (tmp_path / "x.setup.toml").write_text("chip = ")
    with pytest.raises(CannotSetUp, match=r"x\.setup\.toml cannot be read"):
        boot.driven_lines(tmp_path)
    with pytest.raises(CannotSetUp, match="by hand"):
        boot.with_block(BOOT_TEXT + boot.BEGIN + "[all]\n", "")


# -- doctor ----------------------------------------------------------------------------------------


def test_the_doctor_tells_what_is_missing(root: Path, checkout: Path) -> None:
    def lacking() -> set[str]:
        return {point.about for point in points(root) if point.remedy} - {"libraries"}

    all_files = {str(root / item.path) for item in table.TABLE if item.path != table.GAUGE_RULE}
    both = set(table.ENABLED)
    assert [point.state for point in points(root) if point.about == "service"] == ["absent"]
    assert lacking() == set(), "a checkout lacks nothing because it is no installation"
    kept = root / table.TABLE[0].path  # the rest of an installation that was broken off
    kept.parent.mkdir(parents=True)
    kept.symlink_to("/dev/null")
    assert lacking() == {
        *all_files, *both, "account", "release in use", "boot lines", "hardware watchdog"
    }  # fmt: skip
    kept.unlink()
    install(root, checkout)
    assert lacking() == {"hardware watchdog"}
    (root / "dev/watchdog").touch()
    assert lacking() == set()
    (root / table.CONFIG / "my.setup.toml").write_text('chip = "pinctrl-rp1"\nrelay.line = 17\n')
    assert lacking() == {"boot lines"}
    install(root, checkout, GAUGE)
    assert lacking() == {"gauge"}


def test_what_is_not_there_and_not_needed_is_not_called_ok(root: Path, checkout: Path) -> None:
    install(root, checkout)
    spare = {point.about: point for point in points(root) if point.spare}
    assert {"gauge", "release before", "setups"} <= set(spare)
    assert {point.state for point in spare.values()} == {"absent"}
    assert spare["gauge"].words == "no name of its own; not needed without a serial gauge"
    next(path for name in boot.PLACES if (path := root / name).is_file()).unlink()
    spare = {point.about: point for point in points(root) if point.spare}
    assert {"boot lines", "hardware watchdog"} <= set(spare)
    (root / "dev/watchdog").touch()
    assert {point.state for point in points(root) if point.about == "hardware watchdog"} == {"ok"}


def test_the_help_page_has_every_file_and_option() -> None:
    page = (CHECKOUT / "webui/help/install.md").read_text()
    for item in table.TABLE:
        assert f"`/{item.path}`" in page, item.path
    source = (CHECKOUT / "rig/install/__main__.py").read_text()
    for option in re.findall(r'add_argument\("(--[a-z-]+)"', source):
        assert f"| `{option}" in page, option
