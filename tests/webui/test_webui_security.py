# SPDX-License-Identifier: MIT
"""What every answer carries, who is answered at all, and that nothing stored becomes markup."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from webui import security
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub
from webui.live.stopping import NOTHING, Stopped

Writer = Callable[..., int]
EVERY_KIND = (
    "/", "/runs", "/runs/1", "/runs/99", "/nowhere", "/api/runs", "/api/runs/1",
    "/api/runs/1/traces",
    "/help/", "/help/page", "/static/css/base.css", "/runs?before=x", "/runs/1/run.csv",
)  # fmt: skip


@pytest.mark.parametrize("address", EVERY_KIND)
def test_every_answer_carries_the_headers(
    client: FlaskClient, written: Writer, address: str
) -> None:
    written(strokes=2)
    with client.get(address) as answer:
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert "http:" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "same-origin"


@pytest.mark.parametrize(
    ("base", "carried"),
    [("http://localhost", True), ("https://rig.example", True), ("http://rig.example", False)],
)
def test_a_phones_console_is_not_filled_with_a_header_that_it_must_ignore(
    client: FlaskClient, base: str, carried: bool
) -> None:
    client.application.config["TRUSTED_HOSTS"] = ["localhost", "rig.example"]
    answer = client.get("/help/", base_url=base)
    assert answer.status_code == 200
    assert ("Cross-Origin-Opener-Policy" in answer.headers) == carried


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8642", "localhost.evil.example", "127.0.0.2", "[::1]"]
)
@pytest.mark.parametrize("address", ["/", "/api/runs", "/static/css/base.css"])
def test_a_foreign_host_name_is_refused(
    client: FlaskClient, written: Writer, host: str, address: str
) -> None:
    written(strokes=2)
    answer = client.get(address, headers={"Host": host})
    assert answer.status_code == 400
    assert "INVENTED" not in answer.text
    assert answer.mimetype == "text/plain"
    assert "--name" in answer.text
    assert "localhost" in answer.text and "127.0.0.1" in answer.text  # what it answers to


@pytest.mark.parametrize("address", ["/stop", "/bench", "/nowhere"])
def test_a_foreign_host_name_is_a_plain_400_on_an_operating_page(
    tmp_path: Path, address: str
) -> None:
    hub = Hub(tmp_path, Files([], [], tmp_path))
    client = create_app({"HUB": hub, "STOP_PORT": 1}).test_client()
    answer = client.post(address, headers={"Host": "evil.example"})
    assert (answer.status_code, answer.mimetype) == (400, "text/plain")
    assert "127.0.0.1" in answer.text and "evil" not in answer.headers["Content-Security-Policy"]


STOP_FROM = [
    ({}, False),  # no browser
    ({"Sec-Fetch-Site": "same-origin"}, False),
    ({"Sec-Fetch-Site": "none"}, False),
    ({"Sec-Fetch-Site": "cross-site"}, True),
    ({"Sec-Fetch-Site": "same-site"}, True),  # another program's page on this computer
    ({"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"}, True),
    ({"Origin": "http://localhost"}, False),
    ({"Origin": "http://evil.example"}, True),
    ({"Origin": "http://localhost:9999"}, True),
    ({"Origin": "null"}, True),  # a sandboxed frame
]


@pytest.mark.parametrize(("headers", "refused"), STOP_FROM)
def test_a_page_of_another_site_ends_no_run(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, headers: dict[str, str], refused: bool
) -> None:
    hub = Hub(tmp_path, Files([], [], tmp_path))
    asked: list[str] = []
    monkeypatch.setattr(hub, "stop", lambda why: asked.append(why) or Stopped(NOTHING, ""))
    answer = create_app({"HUB": hub}).test_client().post("/stop", headers=headers)
    assert (answer.status_code == 403, asked == []) == (refused, refused)


@pytest.mark.parametrize(
    ("headers", "refused"),
    [
        ({}, False),
        ({"SEC_FETCH_SITE": "same-site", "ORIGIN": "http://rig.local:8642"}, False),
        ({"ORIGIN": "http://rig.local:8642"}, False),
        ({"ORIGIN": "http://rig.local:9999"}, True),
        ({"SEC_FETCH_SITE": "same-site", "ORIGIN": "http://rig.local:9999"}, True),
        ({"SEC_FETCH_SITE": "cross-site", "ORIGIN": "http://rig.local:8642"}, True),
        ({"ORIGIN": "null"}, True),
    ],
)
def test_the_stops_own_port_takes_it_from_the_page_and_from_no_other(
    headers: dict[str, str], refused: bool
) -> None:
    environ = {"HTTP_HOST": "rig.local:40000", **{f"HTTP_{k}": v for k, v in headers.items()}}
    assert security.of_another_site(environ, 8642) is refused


@pytest.mark.parametrize("host", ["localhost", "localhost:8642", "127.0.0.1:1"])
def test_the_loopback_is_answered_on_any_port(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("hosts", [None, []])
def test_trusting_everybody_is_refused(log_path: Path, hosts: list[str] | None) -> None:
    with pytest.raises(ValueError, match="TRUSTED_HOSTS"):
        create_app({"RUN_LOG": log_path, "TRUSTED_HOSTS": hosts})


def test_own_names_hold_the_host_and_never_a_wildcard() -> None:
    names = security.own_names(["127.0.0.1", "192.0.2.7"])
    assert {"localhost", "127.0.0.1", "192.0.2.7"} <= set(names)
    assert all(name and not name.startswith(".") and "*" not in name for name in names)


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize(
    "address", ["/", "/runs", "/runs/1", "/api/runs", "/api/runs/1/traces", "/help/"]
)
def test_nothing_can_be_sent(
    client: FlaskClient, written: Writer, method: str, address: str
) -> None:
    written(strokes=2)
    answer = client.open(address, method=method, data=b"x" * 10_000)
    assert answer.status_code == 405
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD", "OPTIONS"}


class Found(HTMLParser):
    """The tags of a page, and what would run or style without a file of our own."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inline: list[str] = []
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        self._inside = tag
        if tag == "style" or "style" in given or any(name.startswith("on") for name in given):
            self.inline.append(f"{tag} {given}")

    def handle_data(self, data: str) -> None:
        if self._inside == "script" and data.strip():
            self.inline.append(data)
        self._inside = ""


@pytest.mark.parametrize("address", ["/", "/runs", "/runs/1", "/runs/99", "/help/", "/help/page"])
def test_no_inline_script_or_style_and_nothing_from_outside(
    client: FlaskClient, written: Writer, address: str
) -> None:
    written(strokes=2)
    found = Found()
    found.feed(client.get(address).text)
    assert found.inline == []
    loaded = [a.get("src") for _, a in found.tags if "src" in a]
    loaded += [a.get("href") for tag, a in found.tags if tag == "link"]
    assert loaded
    assert all(str(target).startswith("/static/") for target in loaded)


NASTY = "\"><script>alert(1)</script><img src=x onerror=alert(2)>{{7*7}}'&amp;"


@pytest.mark.parametrize("address", ["/", "/runs", "/runs/1"])
def test_what_people_typed_stays_text(client: FlaskClient, written: Writer, address: str) -> None:
    written(
        strokes=2,
        valve=NASTY,
        job=NASTY,
        by=NASTY,
        note=NASTY,
        conditions={NASTY: {"value": NASTY, "unit": NASTY, "how": "typed"}},
        not_watched=(NASTY,),
        doubts=((500.0, NASTY, NASTY),),
    )
    page = client.get(address).text
    found = Found()
    found.feed(page)
    assert not [tag for tag, _ in found.tags if tag == "img"]
    assert found.inline == []
    assert "alert(1)" in page  # it is shown
    assert "<script>alert" not in page
    assert "49" not in re.sub(r"\d{3,}", "", page.split("alert(2)")[1][:40])


def test_a_nasty_valve_filter_stays_text(client: FlaskClient, written: Writer) -> None:
    written(strokes=2)
    page = client.get("/runs", query_string={"valve": NASTY}).text
    assert "<script>alert" not in page
    assert "<img" not in page


def test_a_download_is_never_a_page(client: FlaskClient, written: Writer) -> None:
    written(strokes=2, note=NASTY)
    for kind in ("csv", "json", "vcd"):
        with client.get(f"/runs/1/run.{kind}") as answer:
            assert answer.headers["Content-Disposition"].startswith("attachment;")
            assert answer.mimetype != "text/html"


def test_a_policy_of_a_views_own_stays_beside_a_stop_port(tmp_path: Path) -> None:
    """An attachment's sandbox is not widened to what a page may."""
    hub = Hub(tmp_path / "state", Files([], [], tmp_path))
    app = create_app({"HUB": hub, "STOP_PORT": 9})

    @app.get("/sandboxed")
    def _sandboxed() -> tuple[str, dict[str, str]]:
        return "", {"Content-Security-Policy": "default-src 'none'; sandbox"}

    client = app.test_client()
    policy = client.get("/sandboxed").headers["Content-Security-Policy"]
    assert policy == "default-src 'none'; sandbox"
    assert ":9" in client.get("/help/").headers["Content-Security-Policy"]
