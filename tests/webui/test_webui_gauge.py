# SPDX-License-Identifier: MIT
"""Finding a gauge on the page: the terminal's words and lines, from a port that speaks."""

from __future__ import annotations

import html
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from emulated_gauges import emulated
from flask.testing import FlaskClient

from rig.core import places, state_file
from rig.core.state_file import RigState
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub
from webui.work import gauge_look

SETUP = (
    'backend = "board"\nmedium = "oil"\n[coil]\nfeed_side = "supply"\nsupply_voltage = "12 V"\n'
    'fuse = "2 A"\nresistance = "22 ohm"\n[relay]\nline = 17\n[switch]\nline = 22\n'
    'contact = "normally open"\n[gauge]\nport = "PORT"\npattern = "{pressure} {unit}"\n'
    'period = "100 ms"\nmeasuring_range = ["0 kPa", "1000 kPa"]\n'
    'expected_range = ["0 kPa", "500 kPa"]\n[limits]\npressure = "600 kPa"\n'
)


class Page:
    """A page that offers one port."""

    def __init__(self, folder: Path, port: str) -> None:
        path = folder / "mine.setup.toml"
        path.write_text(SETUP.replace("PORT", port))
        hub = Hub(folder / "state", Files([path], [], folder / "sheets"))
        self.app = create_app({"RUN_LOG": folder / "runs.sqlite", "TESTING": False, "HUB": hub})
        self.client: FlaskClient = self.app.test_client()
        self.port = port

    def post(self, address: str, **form: str) -> int:
        text = self.client.get("/gauge").text
        csrf = text.partition('name="csrf" content="')[2].partition('"')[0]
        return self.client.post(address, data={"csrf": csrf, "port": self.port, **form}).status_code

    def until_over(self) -> str:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            answer = self.client.get("/gauge", headers={"HX-Request": "true"})
            assert answer.status_code == 200
            part = answer.text
            if 'hx-trigger="every 1s"' not in part:
                return html.unescape(part)
            time.sleep(0.2)
        raise AssertionError("the look did not end")


@pytest.fixture
def silent(tmp_path: Path) -> Iterator[Page]:
    answers = {"*IDN?\n": "INVENTED,P1,0,1\n", "MEAS:PRES?\n": "+2.413E+02\n"}
    with emulated(tmp_path, answers=answers) as (port, _):
        page = Page(tmp_path, port)
        yield page
        page.app.extensions["gauge_look"].end()


def test_a_gauge_between_marks_is_found_and_its_bytes_are_shown(tmp_path: Path) -> None:
    lines = [f"\x02P {240 + n % 7}.{n % 10} kPa\x03" for n in range(50)]
    with emulated(tmp_path, lines=lines, period_ms=40) as (port, _):
        page = Page(tmp_path, port)
        shown = page.client.get("/gauge").text
        assert port in shown and "in setup mine" in shown
        assert page.post("/gauge/look") == 302
        part = page.until_over()
    assert 'pattern = "{STX}P{pressure} {unit}{ETX}"' in part and "Understood" in part
    assert "{STX}P 24" in part.partition("<pre")[2]
    assert f'port = "{port}"' in part and "NOT KNOWN" in part
    page.app.extensions["gauge_look"].end()


def test_a_silent_gauge_is_asked_only_after_a_person_allowed_it(silent: Page) -> None:
    assert silent.post("/gauge/look") == 302
    part = silent.until_over()
    assert "May the rig send read requests" in part and "form =" not in part
    assert silent.post("/gauge/look", ask="yes") == 302
    part = silent.until_over()
    assert 'form = "query"' in part and "INVENTED,P1" in part


def test_only_offered_ports_and_none_of_a_running_bench(silent: Page) -> None:
    assert silent.post("/gauge/look", port="/etc/passwd") == 400
    state = RigState(
        "a-line17", "board", "a", 17, {"gauge": {"port": silent.port}}, state_file.this_process()
    )
    state_file.write(state_file.state_path(places.state_dir(), "a-line17"), state)
    assert silent.post("/gauge/look") == 409
    assert "Looking at" not in silent.client.get("/gauge").text


def test_the_port_is_given_back_when_a_person_stops_it(silent: Page) -> None:
    assert silent.post("/gauge/look") == 302
    assert silent.post("/gauge/stop") == 302
    part = silent.until_over()
    assert "stopped before anything was understood" in part


def test_of_many_looks_at_once_none_is_left_with_the_port(
    silent: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[subprocess.Popen[str]] = []
    real = subprocess.Popen

    def started_slowly(*words: Any, **more: Any) -> Any:
        started.append(real(*words, **more))
        time.sleep(0.05)
        return started[-1]

    monkeypatch.setattr(gauge_look.subprocess, "Popen", started_slowly)
    look = gauge_look.GaugeLook()
    with ThreadPoolExecutor(8) as pool:
        begun = [pool.submit(look.begin, silent.port, may_ask=True) for _ in range(6)]
        ended = [pool.submit(look.end) for _ in range(2)]
        assert all(one.exception() is None for one in (*begun, *ended))
    look.end()
    assert len(started) == 6
    assert all(process.returncode is not None for process in started), "nobody ends it any more"
    assert not look.seen().looks


def test_a_run_on_the_page_takes_the_port(silent: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench opens the gauge's port itself: whoever listens there has to go first."""
    look = silent.app.extensions["gauge_look"]
    asked: list[bool] = []
    monkeypatch.setattr(Hub, "look", lambda *_: asked.append(look.seen().looks))
    text = silent.client.get("/bench").text
    csrf = text.partition('name="csrf" content="')[2].partition('"')[0]
    silent.client.post("/controls", data={"csrf": csrf})
    assert silent.post("/gauge/look") == 302 and look.seen().looks
    answer = silent.client.post("/bench/look", data={"csrf": csrf, "setup": "mine", "sheet": "x"})
    assert answer.status_code == 302 and asked == [False]
