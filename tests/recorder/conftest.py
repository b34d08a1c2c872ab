# SPDX-License-Identifier: MIT
import pytest
from recorder_parts import Process


@pytest.fixture
def start(tmp_path):
    """Start recorder processes that are gone after the test."""
    started = []

    def make(*options, **given):
        started.append(Process(tmp_path, *options, **given))
        return started[-1]

    yield make
    for process in started:
        process.close()
