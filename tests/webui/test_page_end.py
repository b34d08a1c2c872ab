# SPDX-License-Identifier: MIT
"""The end of `rig serve`: a run that it drives is stopped first, nobody is waited for long."""

from __future__ import annotations

import logging
import os
import signal
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from rig.core import places
from webui import serving
from webui.live.driven import Driven
from webui.live.files import Files
from webui.live.hub import Hub


@pytest.mark.parametrize("how", [KeyboardInterrupt, SystemExit])
def test_a_run_is_stopped_before_answers_under_way_are_waited_for(
    how: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    server = serving.open_server("127.0.0.1", 0, HUB=None)
    shutdown = server.task_dispatcher.shutdown

    def waits(*words: Any, **more: Any) -> Any:
        order.append("answers waited for")
        return shutdown(*words, **more)

    def loop(**_: Any) -> None:
        raise how

    monkeypatch.setattr(server.task_dispatcher, "shutdown", waits)
    monkeypatch.setattr(server, "asyncore", SimpleNamespace(loop=loop))
    server.app.extensions["hub"] = SimpleNamespace(
        start=lambda: None, close=lambda: order.append("run stopped")
    )
    serving.serve(server)
    assert order == ["run stopped", "answers waited for"]


def test_ctrl_c_while_it_loads_is_an_end_like_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    def pressed(_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(serving, "load_ahead", pressed)
    serving.serve(serving.open_server("127.0.0.1", 0, HUB=None))


def test_a_stream_ends_with_the_page(tmp_path: Path) -> None:
    hub = Hub(places.state_dir(), Files([], [], tmp_path))
    server = serving.open_server("127.0.0.1", 0, HUB=hub)
    answer = server.app.test_client().get("/api/live/events")
    parts = answer.iter_encoded()
    assert b"data: " in next(iter(parts))
    reader = threading.Thread(target=lambda: list(parts), daemon=True)
    reader.start()
    hub.close()
    reader.join(10)
    assert not reader.is_alive()
    server.end()


def test_a_driven_run_that_does_not_end_is_named(caplog: pytest.LogCaptureFixture) -> None:
    driven = Driven({"setup": "no", "sheet": "no", "options": {}}, lambda _: None, lambda _: None)
    os.kill(driven.pid, signal.SIGSTOP)
    try:
        with caplog.at_level(logging.WARNING):
            driven.close(0.3)
        assert f"process ({driven.pid}) has not ended" in caplog.text
        assert "rig safe" in caplog.text
    finally:
        os.kill(driven.pid, signal.SIGKILL)
        driven.close()
