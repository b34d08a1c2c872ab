# SPDX-License-Identifier: MIT
"""Every page in the address map, including future ones: no serious accessibility fault found by
axe, nothing in the console, no request to other hosts, thumb-sized targets, no sideways scrolling,
and a picture of each in three sizes, light and dark."""

from __future__ import annotations

import json
import re
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from distances import LEAST_PX, too_near
from playwright.sync_api import Page
from served import ARTEFACTS, RUNS, Server, address_of

from webui.app import create_app
from webui.helptexts import names

pytestmark = pytest.mark.browser

DEMO = Path(__file__).parents[2] / "demo"
SETUP, SHEET = DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml"
SIZES = {"phone": (390, 844), "laptop": (1366, 768), "projector": (1920, 1080)}
AXED = {("phone", "dark"), ("laptop", "light")}
"""Where axe looks: each layout and each scheme once."""

NUMBER = list(RUNS).index("simulated") + 1
FILLED: dict[str, dict[str, list[Any]]] = {
    "help.page": {"name": [name for name in names() if name != "index"]},
    "sheets.edit": {
        "name": [SHEET.name.removesuffix(".sheet.toml"), "rebuilder switch pressures"],
    },
    "lesson.follow": {"code": ["SHARED"]},
    "lesson.rehearsal": {"name": ["welded"]},
}
"""Endpoint -> argument of its address -> what to put there."""
ANY = {"run_id": [NUMBER], "number": [1]}
UNKNOWN = "/runs/4711"
ALSO = [
    address_of("tripped"), address_of("bare"), address_of("nasty"), address_of("wordy"),
    f"/compare?run={NUMBER}&run={list(RUNS).index('nasty') + 1}",
    f"/runs/{NUMBER}/report?before={list(RUNS).index('wordy') + 1}",
    f"{address_of('wordy')}/report", f"{address_of('emulated')}/report",
    UNKNOWN, "/valves/2", "/valves/3", "/lesson/cautions/welded?said=live",
]  # fmt: skip
NO_PAGES = ("/api/", "/static/")
FILES = {
    "downloads.export", "report.as_pdf", "report.style", "lesson.picture", "logwork.export",
    "logwork.results", "logwork.chosen", "logwork.found", "attachments.show", "captures.progress",
    "exercise.waits",
}  # fmt: skip


class Nothing:
    """Stand-in for the hub: only the address map of this application is used."""


def pages(code: str, all_help: bool) -> list[str]:
    """All addresses that answer with a page. A new kind of address fails here until it is filled
    in.

    With `all_help` False one help page represents all, which share their form.
    """
    app = create_app({"HUB": Nothing(), "RUN_LOG": Path("nowhere")})
    found = []
    with app.test_request_context():
        for rule in app.url_map.iter_rules():
            if "GET" not in (rule.methods or ()) or rule.rule.startswith(NO_PAGES):
                continue
            if rule.endpoint in FILES:
                continue
            fill = {**ANY, **FILLED.get(rule.endpoint, {})}
            unknown = set(rule.arguments) - set(fill)
            assert not unknown, f"{rule.rule}: say in FILLED what stands for {unknown}"
            argument = next(iter(rule.arguments), None)
            values = fill[argument] if argument else [None]
            for value in values if all_help else values[:1]:
                words = {} if argument is None else {argument: code if value == "SHARED" else value}
                built = app.url_map.bind("here").build(rule.endpoint, words)
                found.append(built)
    return sorted({*found, *ALSO})


@pytest.fixture(scope="module")
def operating(log_folder: Path) -> Iterator[Server]:
    """A page that can operate the simulated rig."""
    with Server(log_folder, "--setup", str(SETUP), "--sheet", str(SHEET)) as started:
        set_exercise(started.url)
        yield started


def sent(url: str, address: str, form: bytes = b"") -> bytes:
    """The page's answer to a browser's own form."""
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    text = opener.open(f"{url}/").read().decode()
    token = re.search(r'name="csrf" content="([^"]+)"', text)
    assert token is not None
    ask = urllib.request.Request(f"{url}{address}", form, {"X-CSRF": token.group(1)})
    return bytes(opener.open(ask).read())


def shared_lesson(url: str) -> str:
    """The code of a lesson being shared."""
    return str(json.loads(sent(url, f"/api/runs/{NUMBER}/lesson/share"))["code"])


def set_exercise(url: str) -> None:
    """Exercise 1, without a run of a sound rig."""
    names = [path.name.partition(".")[0] for path in (SETUP, SHEET)]
    sent(url, "/exercise/new", f"setup={names[0]}&sheet={names[1]}".encode())


SIDEWAYS = "() => Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"
NARROW = """() => {
const least = (e) => // a mouse needs less room in a table of many rows
  matchMedia("(pointer: fine)").matches && e.closest(".dense") ? 31.5 : 47.5;
return [...document.querySelectorAll(
    "button, .button, input:not([type=hidden]), select, textarea, summary, nav a")]
  .filter((e) => e.checkVisibility())
  .map((e) => [e, /checkbox|radio/.test(e.type ?? "") ? e.closest("label") ?? e : e])
  .map(([e, box]) =>
    [e.textContent.trim() || e.id || e.name, box.getBoundingClientRect(), least(e)])
  .filter(([, box, px]) => box.height < px || box.width < px)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`);
}"""
NO_STOP = """() => [...document.querySelectorAll("form[action='/stop'] button")]
  .filter((e) => e.checkVisibility() && e.getBoundingClientRect().bottom <= innerHeight + 1)
  .length === 0"""

UNFOLDED = """() => document.querySelectorAll("details:not([open])").forEach((e) =>
  { e.open = true; e.dataset.folded = ""; })"""
FOLDED = """() => document.querySelectorAll("[data-folded]").forEach((e) =>
  { e.open = false; delete e.dataset.folded; })"""
"""Opened for the measuring alone: what is folded can be unfolded by anybody."""

UNSTUCK = """() => document.querySelectorAll(".stop-bar").forEach((e) =>
  { e.style.position = "static"; })"""
"""For a picture of the whole page: the bar at the window's foot would hide what lies there."""


def serious(page: Page) -> list[str]:
    """Faults that axe calls serious or critical."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']} ({one['impact']}): {one['help']}: {one['nodes'][0]['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.timeout(400)  # every page with axe and distances
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_every_page(visit: Callable, operating: Server, size: str, scheme: str) -> None:
    width, height = SIZES[size]
    watched = visit(width, height, scheme, url=operating.url)
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    faults = []
    for address in pages(shared_lesson(operating.url), (size, scheme) in AXED):
        page = watched.open(address)
        name = re.sub(r"[^a-z0-9]+", "-", address.lower().replace("/follow/", "follow-")).strip("-")
        name = "follow" if name.startswith("follow") else name or "log"
        if page.evaluate(SIDEWAYS) > width:
            faults.append(f"{address} scrolls sideways: {page.evaluate(SIDEWAYS)} px")
        faults += [f"{address} too small to tap: {one}" for one in page.evaluate(NARROW)]
        page.evaluate(UNFOLDED)
        faults += [f"{address} too near: {one}" for one in too_near(page)]
        page.evaluate(FOLDED)
        # a viewer who only follows a lesson has no Stop unless the operator allows it
        if name != "follow" and page.evaluate(NO_STOP):
            faults.append(f"{address} has no stop in sight")
        if (size, scheme) in AXED:
            faults += [f"{address} axe: {one}" for one in serious(page)]
        page.evaluate(UNSTUCK)
        picture = page.screenshot(full_page=True)
        (ARTEFACTS / f"page-{name}-{size}-{scheme}.png").write_bytes(picture)
        wanted = [] if address != UNKNOWN else ["404 (NOT FOUND)"]  # which the browser logs
        heard = [one for one in watched.faults if not any(words in one for words in wanted)]
        faults += [f"{address} {one}" for one in heard]
        watched.faults.clear()
    assert not faults, "\n".join(faults)


def test_the_measuring_of_distances_here_can_fail(visit: Callable, operating: Server) -> None:
    page = visit(url=operating.url).open("/controls")
    assert too_near(page) == []
    page.evaluate("document.querySelector('.opposite').style.gap = '23px'")
    assert len(too_near(page)) == 1 and str(LEAST_PX - 1) in too_near(page)[0]
    page.evaluate("delete document.querySelector('button.main').dataset.act")
    assert any("neither" in one for one in too_near(page))


@pytest.mark.parametrize("size", SIZES)
def test_what_is_for_the_class_does_not_lie_under_the_stop(
    visit: Callable, operating: Server, size: str
) -> None:
    page = visit(*SIZES[size], url=operating.url).open(f"/runs/{NUMBER}/lesson")
    page.click("#share")
    page.wait_for_selector("#lesson[data-shared]")
    shown = page.locator("#share-end").bounding_box()
    stop = page.locator(".stop-bar").bounding_box()
    assert shown and stop and shown["y"] + shown["height"] <= stop["y"]
    page.click("#share-end")  # only this many lessons are shared at once
    page.wait_for_selector("#lesson:not([data-shared])")


def test_axe_here_finds_what_is_wrong(visit: Callable, operating: Server) -> None:
    """The check can fail: it finds the faults of a page spoilt on purpose."""
    page = visit(url=operating.url).open("/valves")
    assert serious(page) == []
    page.evaluate("document.querySelectorAll('label').forEach((e) => e.remove())")
    assert any(one.startswith("label ") for one in serious(page))


@pytest.mark.parametrize("paper", [(210, 297), (215.9, 279.4)], ids=["a4", "letter"])
def test_the_browser_prints_a_report_on_one_sheet(
    visit: Callable, operating: Server, paper: tuple[float, float]
) -> None:
    page = visit(url=operating.url).open(f"/runs/{NUMBER}/report?before=3")
    made = page.pdf(width=f"{paper[0]}mm", height=f"{paper[1]}mm", print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", made)) == 1
