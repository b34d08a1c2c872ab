# SPDX-License-Identifier: MIT
"""The run list with many runs: how many are visible at once, the bar with the chosen ones, the same
without JavaScript and by keyboard alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from distances import too_near
from playwright.sync_api import Page, expect
from served import Server
from written_runs import Made, write

pytestmark = pytest.mark.browser

DEMO = Path(__file__).parents[2] / "demo"
SEEN = {"phone": ((390, 844), 6), "laptop": ((1366, 768), 15), "wide": ((1920, 1080), 15)}
"""Runs that a screen holds at least, at the head of the list, its own heading included."""

IN_SIGHT = """() => [...document.querySelectorAll("tbody tr")].filter((row) => {
  const box = row.getBoundingClientRect();
  return box.top >= 0 && box.bottom <= innerHeight;
}).length"""


@pytest.fixture(scope="module")
def listing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    folder = tmp_path_factory.mktemp("list")
    for n in range(45):
        source = ("board", "simulated")[n % 2]
        write(folder / "runs.sqlite", Made(strokes=3, valve=f"V-{n}", source=source))
    setup, sheet = (str(DEMO / f"workshop.{kind}.toml") for kind in ("setup", "sheet"))
    with Server(folder, "--setup", setup, "--sheet", sheet) as started:
        yield started


def covered(page: Page, selector: str) -> bool:
    """Whether something else covers the middle of this element, or it is out of sight."""
    return bool(
        page.locator(selector).evaluate(
            """(e) => {
              const box = e.getBoundingClientRect();
              const on = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
              return !on || !(e === on || e.contains(on));
            }"""
        )
    )


@pytest.mark.parametrize("size", SEEN)
def test_a_screen_holds_many_runs(visit: Callable, listing: Server, size: str) -> None:
    window, least = SEEN[size]
    page = visit(*window, url=listing.url).open("/runs")
    assert page.evaluate(IN_SIGHT) >= least


@pytest.mark.parametrize("scripted", [True, False])
@pytest.mark.parametrize("size", SEEN)
def test_the_bar_says_how_many_and_stays_in_sight(
    visit: Callable, listing: Server, size: str, scripted: bool
) -> None:
    page = visit(*SEEN[size][0], url=listing.url, java_script_enabled=scripted).open("/runs")
    for run in (45, 43):  # of one source
        page.locator(f"input[name=run][value='{run}']").check()
    if scripted:
        expect(page.locator(".count")).to_have_text("2 chosen")
        for where in (0, 400, 900):
            page.evaluate("(y) => scrollTo(0, y)", where)
            for selector in ("[value=compare]", "[value=export]", ".remove", ".stop"):
                assert not covered(page, selector), (selector, where)
        assert too_near(page) == []
    page.locator("[value=compare]").click()
    assert page.url.endswith("/compare?run=43&run=45"), "the older is the one before"


def test_without_a_choice_the_buttons_do_nothing(visit: Callable, listing: Server) -> None:
    page = visit(url=listing.url).open("/runs")
    expect(page.locator(".chosen button").first).to_be_disabled()
    page.locator("input[name=run]").first.check()
    expect(page.locator(".chosen button").first).to_be_enabled()


def test_without_javascript_it_sorts_chooses_columns_and_keeps_a_view(
    visit: Callable, listing: Server
) -> None:
    page = visit(url=listing.url, java_script_enabled=False).open("/runs")
    page.locator("a.sort", has_text="Valve").click()
    assert page.locator("th[aria-sort=ascending]").inner_text().startswith("Valve")
    page.locator("summary", has_text="Columns").click()
    page.get_by_label("Release, ms").check()
    page.get_by_role("button", name="Show these").click()
    assert page.locator("th", has_text="Release, ms").count() == 1
    page.locator("summary", has_text="Views").click()
    page.get_by_label("Keep what is shown now as").fill("with release")
    page.get_by_role("button", name="Keep the view").click()
    page.locator("summary", has_text="Views (1)").click()
    page.get_by_role("link", name="with release").click()
    assert "order=valve_up" in page.url
    page.locator("summary", has_text="Views (1)").click()
    page.get_by_role("button", name="Forget the view with release").click()
    assert page.locator("summary", has_text="Views (1)").count() == 0


def test_the_keyboard_reaches_sorting_and_the_bar(visit: Callable, listing: Server) -> None:
    page = visit(url=listing.url).open("/runs")
    page.locator("h1").click()
    reached = []
    for _ in range(400):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "document.activeElement.textContent.trim() || document.activeElement.name"
            )
        )
        if len(reached) == 9:  # on the way: tick a run
            page.locator("input[name=run]").first.focus()
            page.keyboard.press("Space")
        if reached[-1].startswith("Remove from"):
            break
    assert any(one.startswith("Response, ms") for one in reached) or "Valve" in reached
    assert "Compare" in reached and "Export" in reached and reached[-1].startswith("Remove from")


HEARD = """() => { const said = document.getElementById("making"); window.heard = [];
  new MutationObserver(() => said.textContent && heard.push(said.textContent))
    .observe(said, { childList: true }); }"""


@pytest.mark.timeout(300)
@pytest.mark.parametrize("asks", ["a[data-making]", "[value=export]"])
def test_a_file_that_is_being_made_is_spoken_of_until_it_comes(
    visit: Callable, listing: Server, asks: str
) -> None:
    watched = visit(url=listing.url)
    watched.forgiven.append("400 (BAD REQUEST)")
    page = watched.open("/runs")
    page.locator("input[name=run]").first.check()
    page.evaluate(HEARD)  # while a file is awaited, nothing can be asked of the page from here
    with page.expect_download(timeout=100_000) as come:  # made behind all else on this machine
        page.locator(asks).evaluate("(e) => e.click()")
    assert come.value.suggested_filename.endswith("results.csv")
    expect(page.locator("#making")).to_contain_text("among its downloads")
    assert page.evaluate("heard")[0].startswith("Making the")
    # a refusal is a page, and no file with a page in it
    page.locator("a[data-making]").evaluate("(e) => { e.search = '?valve=none'; e.click(); }")
    expect(page.locator("h1")).to_contain_text("Not as one table")


@pytest.mark.timeout(300)
def test_a_copy_of_the_log_that_is_being_made_is_spoken_of_too(
    visit: Callable, listing: Server
) -> None:
    page = visit(url=listing.url).open("/controls")
    page.click("button.main")
    page.goto(f"{listing.url}/log/backup")
    page.evaluate(HEARD)
    with page.expect_download(timeout=100_000) as come:
        page.locator("button[data-making]").evaluate("(e) => e.click()")
    assert come.value.suggested_filename.endswith(".sqlite")
    expect(page.locator("#making")).to_contain_text("Made: a copy of the log")
    assert page.evaluate("heard")[0].startswith("Making a copy of the log")
