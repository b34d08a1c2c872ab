# SPDX-License-Identifier: MIT
"""Help pages: all rendered, all reachable, no link that leads nowhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from webui import helptexts

LINK = re.compile(r'href="([^"]+)"')


def test_every_help_page_is_linked_from_the_index(client: FlaskClient) -> None:
    page = client.get("/help/").text
    assert "page" in helptexts.names()
    for name in helptexts.names():
        if name != "index":
            assert f'href="/help/{name}"' in page


@pytest.mark.parametrize("name", helptexts.names())
def test_every_page_has_a_title_and_renders(client: FlaskClient, name: str) -> None:
    shown = helptexts.text(name)
    assert shown.title != name, "begins with a heading"
    assert len(shown.anchors) == len(set(shown.anchors)), "two headings with one id"
    address = "/help/" if name == "index" else f"/help/{name}"
    answer = client.get(address)
    assert answer.status_code == 200
    assert shown.html in answer.text


@pytest.mark.parametrize("name", helptexts.names())
def test_every_link_inside_leads_somewhere(client: FlaskClient, name: str) -> None:
    for target in LINK.findall(str(helptexts.text(name).html)):
        path, _, anchor = target.partition("#")
        if path.startswith(("http://", "https://")):
            continue
        page = path.removeprefix("/help/") if path else name
        assert path == "" or path.startswith("/help/"), target
        assert page in helptexts.names(), target
        if anchor:
            assert anchor in helptexts.text(page).anchors, target


@pytest.mark.parametrize("name", ["nothing", "index", "..%2fapp", "page.md", "%2e%2e%2fapp.py"])
def test_other_names_are_404(client: FlaskClient, name: str) -> None:
    assert client.get(f"/help/{name}").status_code == 404


def test_markup_in_help_stays_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "trick.md").write_text(
        "# A <b>title</b>\n\n<script>alert(1)</script>\n\n"
        "[link](javascript:alert(2)) [page](page.md#traces)\n"
    )
    monkeypatch.setattr(helptexts, "FOLDER", tmp_path)
    helptexts.text.cache_clear()
    try:
        html = str(helptexts.text("trick").html)
    finally:
        helptexts.text.cache_clear()
    assert "<script" not in html
    assert "<b>" not in html
    assert 'href="javascript' not in html
    assert 'href="/help/page#traces"' in html


@pytest.mark.parametrize("address", ["/bench", "/bench/trip", "/exercise", "/exercise/new"])
def test_pages_of_a_rig_say_how_to_start_it(client: FlaskClient, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 404
    assert "started without a rig" in answer.text and "--setup FILE --sheet FILE" in answer.text
    assert "renamed" in client.get("/benches").text


def test_what_is_not_in_the_heading_is_linked(client: FlaskClient) -> None:
    page = client.get("/help/").text
    assert 'href="/gauge">Gauge' in page and 'href="/log/backup">Backup' in page
    assert 'href="/gauge">Gauge' in client.get("/").text
