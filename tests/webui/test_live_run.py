# SPDX-License-Identifier: MIT
"""A run driven through the page's own orders, with real processes on the simulated rig."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from described import is_described

from rig.core import places, state_file
from rig.core.errors import RefusedError
from rig.runlog.store import RunLog
from webui.api.models_live import LiveAnswer
from webui.live import stopping
from webui.live.files import Files
from webui.live.hub import ENDED, IDLE, RUNNING, WAITING, Hub

DEMO = Path(__file__).parents[2] / "demo"
pytestmark = pytest.mark.timeout(400)
OPTIONS: dict[str, Any] = dict.fromkeys(
    ("valve", "job", "by", "note", "mount", "oil_temperature", "base_pressure", "supply_voltage",
     "idle_speed", "ambient_temperature", "oil_grade", "oil_level", "confirmed_by", "seed")
) | {"accept_not_watched": False, "fast": False, "as_json": True, "valve": "V-7"}  # fmt: skip


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    patient = tmp_path / "patient.setup.toml"  # the machine that tests may be busy
    patient.write_text((DEMO / "workshop.setup.toml").read_text().replace(
        "[limits]\n", '[limits]\nreadback_delay = "500 ms"\n'))  # fmt: skip
    made = Hub(places.state_dir(), Files([patient], [DEMO], tmp_path / "own"))
    made.start()
    yield made
    made.close()


def wait_for(what: Callable[[], Any], within_s: float = 90) -> Any:
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        found = what()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError("it did not come so far")


def begin(hub: Hub) -> None:
    hub.look("patient", "workshop", OPTIONS)
    wait_for(lambda: hub.phase == WAITING)
    is_described(LiveAnswer, plain(hub))
    with pytest.raises(RefusedError, match="looked at again"):
        hub.go("a test", "an older look", not_watched_accepted=False)
    hub.go("a test", hub.snapshot()["look"], not_watched_accepted=False)
    wait_for(lambda: (hub.snapshot()["live"] or {}).get("strokes_done", 0) >= 1)


def plain(hub: Hub) -> Any:
    """The snapshot as a browser gets it."""
    return json.loads(json.dumps(hub.snapshot()))


def beating(hub: Hub, until: Callable[[], bool], within_s: float = 90) -> None:
    def once() -> bool:
        hub.beat()
        return until()

    wait_for(once, within_s)


def test_look_go_stop_and_the_run_is_kept(hub: Hub) -> None:
    begin(hub)
    found = hub.snapshot()
    assert found["phase"] == RUNNING and found["valve"] == "V-7"
    is_described(LiveAnswer, plain(hub))
    assert found["preflight"]["not_watched"] and found["live"]["heard_ms_ago"] < 2000
    with pytest.raises(RefusedError, match="A run goes on"):
        hub.look("patient", "workshop", OPTIONS)
    wait_for(lambda: hub.stop("stopped by a test").sure)
    wait_for(lambda: hub.phase == ENDED)
    ended = hub.snapshot()["ended"]
    assert ended["reason"] == "aborted" and ended["off"] == "confirmed off"
    is_described(LiveAnswer, plain(hub))
    with RunLog.reading(places.log_path()) as log:
        stored = log.load(log.runs(limit=1)[0].id)
    assert stored.header.valve == "V-7" and stored.header.source == "simulated"
    hub.leave()
    assert hub.phase == IDLE


def test_an_operators_page_that_falls_silent_ends_the_run(hub: Hub) -> None:
    begin(hub)
    began = time.monotonic()
    wait_for(lambda: hub.phase == ENDED)
    assert time.monotonic() - began > 2  # of five, the first stroke left out
    assert "page was silent for 5 s" in hub.snapshot()["ended"]["stopped"]


def test_a_page_that_beats_lets_the_run_go_on(hub: Hub) -> None:
    begin(hub)
    began = time.monotonic()
    beating(hub, lambda: time.monotonic() - began > 7)
    assert hub.phase == RUNNING
    hub.stop("enough")
    wait_for(lambda: hub.phase == ENDED)


def test_the_end_of_the_page_stops_its_run(hub: Hub) -> None:
    begin(hub)
    (state,) = stopping.running(places.state_dir())
    assert state.owner is not None
    hub.close()
    assert not state.owner.alive()
    with RunLog.reading(places.log_path()) as log:
        stored = log.load(log.runs(limit=1)[0].id)
    assert stored.end is not None and stored.end.reason == "aborted"


def test_left_before_the_first_stroke_nothing_was_energised(hub: Hub) -> None:
    hub.look("patient", "workshop", OPTIONS)
    wait_for(lambda: hub.phase == WAITING)
    hub.leave()
    wait_for(lambda: hub.phase == ENDED)
    assert "ended" not in hub.snapshot()
    assert hub.snapshot()["message"].lower().count("left") == 1, "said twice"
    assert not places.log_path().exists() or not _runs()
    assert not stopping.running(places.state_dir())


def _runs() -> int:
    with RunLog.reading(places.log_path()) as log:
        return len(log.runs(limit=5))


def test_a_bench_that_hangs_is_not_called_off_and_the_guard_takes_it(hub: Hub) -> None:
    begin(hub)
    (state,) = stopping.running(places.state_dir())
    assert state.owner is not None
    os.kill(state.owner.pid, signal.SIGSTOP)
    done = hub.stop("stopped by a test")
    assert done.off in (stopping.NOT_CONFIRMED, stopping.CONFIRMED)
    wait_for(lambda: hub.phase == ENDED)
    trip = hub.snapshot()["ended"]["trip"]
    assert trip and trip["rule"] == "bench lost"
    is_described(LiveAnswer, plain(hub))
    latched = state_file.read(state_file.state_path(places.state_dir(), "simulated-line17"))
    assert latched is not None and latched.trip is not None


def test_what_cannot_be_run_is_told(hub: Hub) -> None:
    hub.look("patient", "workshop", OPTIONS | {"oil_temperature": "warm"})
    wait_for(lambda: hub.phase == ENDED)
    assert "--oil-temperature" in hub.snapshot()["message"]
    is_described(LiveAnswer, plain(hub))


def test_a_run_of_another_program_is_overheard(hub: Hub, tmp_path: Path) -> None:
    import subprocess
    import sys

    words = [sys.executable, "-m", "rig.cli.main", "run", str(tmp_path / "patient.setup.toml"),
             str(DEMO / "workshop.sheet.toml"), "--json"]  # fmt: skip
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as other:
        found = wait_for(lambda: (s := hub.snapshot())["other"] and s["live"] and s)
        assert found["phase"] == RUNNING
        is_described(LiveAnswer, plain(hub))
        wait_for(lambda: (hub.snapshot()["live"] or {}).get("strokes_done", 0) >= 1)
        wait_for(lambda: hub.stop("stopped on a page").sure)  # a busy machine may answer late
        out, _ = other.communicate(timeout=60)
    told = json.loads(out)
    assert other.returncode == 3 and told["status"] == "aborted", told
