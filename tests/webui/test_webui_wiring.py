# SPDX-License-Identifier: MIT
"""The wiring page: of a run's setup and of what the bench offers."""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub

ROOT = Path(__file__).parents[2]


@pytest.fixture
def bench(log_path: Path) -> FlaskClient:
    """A page that offers one setup."""
    files = Files([ROOT / "hardware/bench.setup.toml"], [], log_path.parent / "sheets")
    return create_app(
        {"RUN_LOG": log_path, "TESTING": False, "HUB": Hub(log_path.parent / "state", files)}
    ).test_client()


def test_the_wiring_of_an_offered_setup_is_drawn(bench: FlaskClient) -> None:
    assert 'href="/wiring?setup=bench"' in bench.get("/wiring").text
    page = bench.get("/wiring?setup=bench").text
    assert "SIMULATED" not in page and "GPIO 17, pin 11" in page


def test_the_wiring_of_a_run_is_drawn(client: FlaskClient, written: Callable[..., int]) -> None:
    page = client.get(f"/wiring?run={written()}")
    assert page.status_code == 200
    assert page.text.count("<figure>") >= 4
    assert "SIMULATED" in page.text and "Caution:" in page.text
    assert "style=" not in page.text, "the security policy would not let it in"


def test_drawing_and_parts_can_be_taken(client: FlaskClient, written: Callable[..., int]) -> None:
    run = written()
    svg = client.get(f"/wiring?run={run}&form=svg")
    assert svg.mimetype == "image/svg+xml"
    assert ElementTree.fromstring(svg.text).tag.endswith("svg")
    parts = client.get(f"/wiring?run={run}&form=parts")
    assert "attachment" in parts.headers["Content-Disposition"]
    assert next(csv.reader(io.StringIO(parts.text)))[0] == "part"


def test_a_setup_that_cannot_be_read_is_said_with_its_problems(
    log_path: Path, tmp_path: Path
) -> None:
    wrong = tmp_path / "wrong.setup.toml"
    wrong.write_text('backend = "board"\n')
    files = Files([wrong], [], tmp_path / "sheets")
    client = create_app(
        {"RUN_LOG": log_path, "TESTING": False, "HUB": Hub(tmp_path / "state", files)}
    ).test_client()
    page = client.get("/wiring?setup=wrong")
    assert page.status_code == 409 and "cannot be drawn" in page.text


def test_a_setup_that_is_not_offered_is_a_plain_404(client: FlaskClient) -> None:
    page = client.get("/wiring?setup=../secret")
    assert page.status_code == 404 and "not offered" in page.text


def test_a_run_that_is_not_there_is_a_plain_404(
    client: FlaskClient, written: Callable[..., int]
) -> None:
    written()
    assert client.get("/wiring?run=999").status_code == 404


def test_the_page_stands_in_the_heading_and_asks(client: FlaskClient) -> None:
    page = client.get("/wiring").text
    assert 'href="/wiring" aria-current="page"' in page
    assert 'name="run"' in page
