# SPDX-License-Identifier: MIT
"""Who may do what: token, passcode, controls, take-over, and a stop that needs nothing."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
from flask import Flask, request
from flask.testing import FlaskClient
from page_client import token

from webui import access
from webui.app import create_app
from webui.live.hub import Hub

DEMO = Path(__file__).parents[2] / "demo"
PASSCODE = "open sesame"


def app_of(hub: Hub, **config: object) -> Flask:
    return create_app({"HUB": hub, "TESTING": True, **config})


def take(client: FlaskClient, **form: str) -> int:
    return client.post("/controls", data={"csrf": token(client), **form}).status_code


ORDERS = ["/bench/look", "/bench/go", "/bench/leave", "/bench/beat", "/bench/clear",
          "/bench/sheet/workshop", "/controls", "/controls/back"]  # fmt: skip


@pytest.mark.parametrize("address", ORDERS)
def test_nothing_is_taken_without_this_pages_token(hub: Hub, address: str) -> None:
    client = app_of(hub).test_client()
    token(client)
    assert client.post(address).status_code == 403
    for guess in ("guess", "\u00e9"):
        assert client.post(address, data={"csrf": guess}).status_code == 403


@pytest.mark.parametrize("address", ORDERS[:6])
def test_nothing_is_ordered_without_the_controls(hub: Hub, address: str) -> None:
    client = app_of(hub).test_client()
    answer = client.post(address, data={"csrf": token(client)})
    assert answer.status_code == 403 and "Nobody has the controls" in answer.text


def test_one_browser_at_a_time_and_take_over_is_explicit(hub: Hub) -> None:
    app = app_of(hub)
    first, second = app.test_client(), app.test_client()
    assert take(first) == 302
    assert first.post("/bench/beat", data={"csrf": token(first)}).status_code == 204
    assert take(second) == 200  # asked first
    assert first.post("/bench/beat", data={"csrf": token(first)}).status_code == 204
    answer = second.post("/controls", data={"csrf": token(second), "asked": "yes"})
    assert answer.status_code == 409 and "tick Take them over first" in answer.text
    assert take(second, take_over="yes") == 302
    assert first.post("/bench/beat", data={"csrf": token(first)}).status_code == 403
    assert second.post("/bench/beat", data={"csrf": token(second)}).status_code == 204
    second.post("/controls/back", data={"csrf": token(second)})
    assert take(first) == 302


def test_the_passcode_is_kept_as_a_hash_for_this_user_alone(tmp_path: Path) -> None:
    access.set_passcode(tmp_path, PASSCODE)
    path = tmp_path / access.PASSCODE_FILE
    assert path.stat().st_mode & 0o777 == 0o600
    assert PASSCODE not in path.read_text()
    assert access.passcode_hash(tmp_path) and access.passcode_hash(tmp_path / "none") is None
    with pytest.raises(ValueError, match="at least 6"):
        access.set_passcode(tmp_path, "12345")


@pytest.fixture
def guarded(hub: Hub, tmp_path: Path) -> Flask:
    access.set_passcode(tmp_path, PASSCODE)
    return app_of(hub, PASSCODE_HASH=access.passcode_hash(tmp_path))


def test_a_wrong_passcode_opens_nothing_and_a_few_make_wait(guarded: Flask) -> None:
    client = guarded.test_client()
    for left in range(access.TRIES - 1, 0, -1):
        answer = client.post("/controls", data={"csrf": token(client), "passcode": "wrong"})
        assert answer.status_code == 403
        assert f"Wrong passcode. {left} more, then" in answer.text
    for passcode in ("wrong", PASSCODE):
        answer = client.post("/controls", data={"csrf": token(client), "passcode": passcode})
        assert answer.status_code == 429
        assert f"Wait {answer.headers['Retry-After']} s, then" in answer.text
        assert "set a passcode with" in answer.text
    assert client.post("/bench/beat", data={"csrf": token(client)}).status_code == 403


def test_wrong_passcodes_of_all_addresses_count_together(guarded: Flask) -> None:
    def wrong(n: int) -> int:
        client = guarded.test_client()
        client.environ_base["REMOTE_ADDR"] = f"192.0.2.{n}"
        return take(client, passcode="wrong")

    answers = [wrong(n) for n in range(access.ALL_TRIES)]
    assert answers == [403] * (access.ALL_TRIES - 1) + [429]
    assert wrong(access.ALL_TRIES) == 429  # an address that never tried


def test_each_address_waits_from_its_own_first_wrong_one_and_then_tries_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = SimpleNamespace(now=1000.0)
    monkeypatch.setattr(access, "time", SimpleNamespace(monotonic=lambda: clock.now))
    tries = access.Tries(of_one=2, in_all=4)
    tries.wrong("a")
    clock.now += 10
    assert [tries.wrong("b"), tries.wrong("b")] == [1, 0]
    assert (tries.wait_s("a"), tries.wait_s("b")) == (0.0, access.TRIES_WITHIN_S)
    clock.now += 20
    assert tries.wait_s("b") == access.TRIES_WITHIN_S - 20
    assert tries.wrong("a") == 0, "all that may be wrong within the time"
    assert tries.wait_s("c") == access.TRIES_WITHIN_S - 30, "until the oldest of all is forgotten"
    clock.now += access.TRIES_WITHIN_S - 29
    assert (tries.wait_s("a"), tries.wait_s("c")) == (0.0, 0.0)
    assert tries.wait_s("b") == pytest.approx(9.0)


def test_a_browser_without_the_passcode_is_told_where_to_give_it(guarded: Flask) -> None:
    client = guarded.test_client()
    assert "passcode" in client.get("/controls").text
    told = client.post("/bench/beat", data={"csrf": token(client)}).text
    assert "has not given the passcode" in told and "Take the controls" in told


def test_where_no_passcode_was_set_the_page_says_how_to_set_one(hub: Hub) -> None:
    client = app_of(hub, PASSCODE_HASH=access.NO_PASSCODE).test_client()
    told = client.post("/bench/beat", data={"csrf": token(client)}).text
    assert "no passcode was set" in told and "--set-passcode" in told
    assert "has not given the passcode" not in told


def test_a_browser_that_may_write_is_asked_for_no_passcode(guarded: Flask, hub: Hub) -> None:
    asked = 'name="passcode"'
    assert asked in guarded.test_client().get("/controls").text
    assert asked not in app_of(hub).test_client().get("/controls").text


def test_what_a_browser_sends_is_bounded_before_it_is_read_and_only_a_writers_is(
    guarded: Flask,
) -> None:
    read: list[int] = []

    @guarded.post("/sent")
    @access.takes(1000)
    def sent() -> str:
        read.append(len(request.get_data()))
        return "taken"

    client = guarded.test_client()
    client.get("/bench")
    with client.session_transaction() as kept:
        head = {"X-CSRF": kept["csrf"]}
    assert client.post("/sent", data=b"x" * 10, headers=head).status_code == 403
    assert not read
    assert take(client, passcode=PASSCODE) == 302
    assert client.post("/sent", data=b"x" * 1000, headers=head).text == "taken"
    assert client.post("/sent", data=b"x" * 1001, headers=head).status_code == 413
    assert read == [1000]


def test_a_browser_without_the_controls_gives_none_back(hub: Hub) -> None:
    app = app_of(hub)
    first, second = app.test_client(), app.test_client()
    assert take(first) == 302
    second.get("/bench")
    second.post("/controls/back", data={"csrf": token(second)})
    assert take(second) == 200  # they are still the first one's
    assert first.post("/bench/beat", data={"csrf": token(first)}).status_code == 204


def test_the_right_passcode_opens(guarded: Flask) -> None:
    client = guarded.test_client()
    assert take(client, passcode=PASSCODE) == 302
    assert client.post("/bench/beat", data={"csrf": token(client)}).status_code == 204


def test_anybody_may_look_and_stop(guarded: Flask) -> None:
    client = guarded.test_client()
    assert client.get("/bench").status_code == 200
    answer = client.post("/stop", headers={"Accept": "application/json"})
    assert answer.status_code == 200 and answer.json is not None
    assert answer.json["off"] == "nothing to stop"
    page = client.post("/stop", headers={"Accept": "text/html"})
    assert "Nothing to stop" in page.text and "not an emergency stop" in page.text


def test_cookies_stay_here(hub: Hub) -> None:
    answer = app_of(hub).test_client().get("/bench")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie


def test_without_a_bench_the_page_is_the_log_alone() -> None:
    client = create_app({"TESTING": True}).test_client()
    assert client.get("/bench").status_code == 404
    assert "Stop: coil off" not in client.get("/help/").text


@pytest.mark.parametrize("name", ["nothing", "..", "%2e%2e%2fetc"])
def test_a_sheet_that_was_never_offered(hub: Hub, name: str) -> None:
    assert app_of(hub).test_client().get(f"/bench/sheet/{name}").status_code in (404, 308)
