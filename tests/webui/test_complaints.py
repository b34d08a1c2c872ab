# SPDX-License-Identifier: MIT
from __future__ import annotations

import logging

import pytest

from webui.live import complaints
from webui.live.complaints import EVERY_S, Complaints


def test_a_loop_goes_on_and_says_so_once_a_minute(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now = 1000.0
    monkeypatch.setattr(complaints.time, "monotonic", lambda: now)
    told = Complaints(logging.getLogger("tried"), "a line could not be read")
    for number in range(5):
        with told.survived():
            raise TypeError(number)
    assert [record.getMessage() for record in caplog.records] == [
        "a line could not be read (1 times since the last word)"
    ]
    assert caplog.records[0].exc_info is not None
    now += EVERY_S
    with told.survived():
        raise TypeError
    assert "(5 times" in caplog.records[1].getMessage()


def test_nothing_is_said_where_nothing_is_wrong(caplog: pytest.LogCaptureFixture) -> None:
    with Complaints(logging.getLogger("tried"), "x").survived():
        pass
    assert caplog.records == []
