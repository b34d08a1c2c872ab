# SPDX-License-Identifier: MIT
"""A class exercise in three browsers at once, on real processes, across a restart of the page; each
of its pages fits, can be tapped, and passes axe."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from distances import too_near
from playwright.sync_api import Page, expect
from served import ARTEFACTS, Server
from test_browser_audit import (
    FOLDED,
    NARROW,
    SETUP,
    SHEET,
    SIDEWAYS,
    SIZES,
    UNFOLDED,
    UNSTUCK,
    serious,
)

from webui import access

pytestmark = pytest.mark.browser

FAULT, OTHER = "clogged inlet screen", "weak return spring"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "class"
    made.mkdir()
    return made


@pytest.fixture
def start(folder: Path) -> Iterator[Callable[[], Server]]:
    """Start or restart the page on the same folder."""
    started: list[Server] = []

    def serve() -> Server:
        for server in started:
            server.stop()
        started.append(Server(folder, "--setup", str(SETUP), "--sheet", str(SHEET)))
        return started[-1]

    yield serve
    for server in started:
        server.stop()


def looked_at(page: Page, name: str) -> None:
    """A picture in three sizes, light and dark, and the faults not allowed in any of them."""
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    for size, (width, height) in SIZES.items():
        for scheme in ("light", "dark"):
            page.set_viewport_size({"width": width, "height": height})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert page.evaluate(SIDEWAYS) <= width, f"{name} {size} scrolls sideways"
            assert page.evaluate(NARROW) == [], f"{name} {size}"
            page.evaluate(UNFOLDED)
            assert too_near(page) == [], f"{name} {size}"
            page.evaluate(FOLDED)
            if (size, scheme) in {("phone", "dark"), ("laptop", "light")}:
                assert serious(page) == [], f"{name} {size}"
            page.evaluate(UNSTUCK)
            picture = page.screenshot(full_page=True)
            (ARTEFACTS / f"exercise-{name}-{size}-{scheme}.png").write_bytes(picture)
            page.evaluate(
                "document.querySelectorAll('.stop-bar').forEach((e) => { e.style.position = ''; })"
            )


def sit(page: Page, url: str, code: str, name: str) -> None:
    page.goto(f"{url}/exercise")
    page.fill("#code", code.lower())
    page.fill("#name", name)
    page.click("text=Sit down")
    expect(page.locator("h1")).to_contain_text(name)


def check(page: Page, name: str) -> None:
    page.locator(f"#check-{name} button").click()
    expect(page.locator(f"#found-{name}")).to_be_visible()


def commit(page: Page, cause: str) -> None:
    page.select_option("#cause", cause)
    page.check("input[name=sure]")
    page.click("button:text-is('Commit')")


@pytest.mark.timeout(400)
def test_three_browsers_play_it(start: Callable[[], Server], visit: Callable) -> None:
    server = start()
    watched = [visit(url=server.url) for _ in range(3)]
    watched.append(visit(390, 844, url=server.url))
    teacher, ann, bo, cy = (one.page for one in watched)
    teacher.goto(f"{server.url}/exercise/new")
    looked_at(teacher, "new")
    teacher.select_option("#cause", FAULT)
    teacher.select_option("#severity", "gross")
    teacher.check("input[name=causes_shown]")
    teacher.fill("#complaint", "Slow to pull above 4,000 rpm since the last oil change.")
    teacher.click("text=Set it")
    code = teacher.locator(".code-wall").inner_text()
    assert re.fullmatch("[A-Z]{6}", code)

    for page, name in ((ann, "Seat 1"), (bo, "Seat 2"), (cy, "Seat 3")):
        sit(page, server.url, code, name)
    looked_at(cy, "seat-fresh")
    for page in (ann, bo, cy):  # all three request a run at once
        page.click("text=Run the test")
        expect(page.locator("[role=status]").first).to_contain_text("Your run")
    expect(teacher.locator("#table")).to_contain_text("0 of 3 committed", timeout=60_000)
    for page in (ann, bo):
        expect(page.locator("#shown")).to_be_visible(timeout=90_000)

    check(ann, "oil_level")
    expect(ann.locator("#check-coil_ohms")).to_contain_text("For safety first")
    check(ann, "screen")
    looked_at(ann, "seat-at-work")
    expect(ann.locator(".bars")).to_contain_text(FAULT)
    run = ann.locator("a[href^='/runs/']").first
    ann.goto(server.url + str(run.get_attribute("href")))
    ann.click("text=Setup as it was")
    expect(ann.locator("#setup-as-it-was")).to_contain_text("belongs to an exercise")
    assert FAULT not in ann.locator("#setup-as-it-was").inner_text()

    for one in watched:
        one.page.goto("about:blank")
    server = start()  # the page is restarted on another port, while the third may still be waiting
    for one in watched:
        one.url = server.url
    cy.goto(f"{server.url}/exercise/seat")
    expect(cy.locator("#shown")).to_be_visible(timeout=90_000)

    ann.goto(f"{server.url}/exercise/seat")
    commit(ann, FAULT)
    expect(ann.locator("h1")).to_contain_text(f"it was {FAULT}")
    expect(ann.locator(".outcome .state")).to_have_text("right")
    expect(ann.locator("#way")).to_contain_text("Your path")
    expect(ann.locator("#best")).to_contain_text("The best path")
    looked_at(ann, "truth")
    bo.goto(f"{server.url}/exercise/seat")
    commit(bo, OTHER)
    expect(bo.locator(".outcome .state")).to_have_text("wrong")
    ann.click("text=Your stroke in slow motion")
    expect(ann.locator("h1")).to_have_text(re.compile("Stroke 1 of"))

    teacher.goto(f"{server.url}/exercise/class/1")
    expect(teacher.locator("#table")).to_contain_text("2 of 3 committed")
    assert OTHER not in teacher.locator("#table").inner_text(), "not on the wall before the end"
    looked_at(teacher, "class")
    teacher.check("text=I am sure")
    teacher.click("text=End it")
    expect(teacher.locator("#table")).to_contain_text(OTHER)
    looked_at(teacher, "class-over")
    cy.reload()
    expect(cy.locator("h1")).to_contain_text(f"it was {FAULT}")
    teacher.click("text=Forget it")
    expect(teacher.locator("h1")).to_have_text("Exercise: find the fault")
    looked_at(teacher, "start")


FROM_AFAR = """(least) => {
  const small = [];
  const walk = document.createTreeWalker(document.querySelector(".on-wall"), NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const px = parseFloat(getComputedStyle(node.parentElement).fontSize);
    const seen = node.textContent.trim() && node.parentElement.checkVisibility();
    if (seen && px < least) small.push(`${node.textContent.trim()}: ${px} px`);
  }
  return [small, document.querySelector(".code-picture svg").getBoundingClientRect().height];
}"""


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1366, 768)])
def test_code_and_table_can_be_read_from_the_back_row(
    folder: Path, visit: Callable, width: int, height: int
) -> None:
    """Type 1/40 of the picture's height, a code a quarter of it (common practice, no source)."""
    access.set_passcode(folder, "invented-1")
    more = ["--setup", str(SETUP), "--sheet", str(SHEET), "--host", "0.0.0.0", "--expose-run-log"]
    server = Server(folder, *more)
    try:
        teacher = visit(width, height, url=server.url).page
        teacher.goto(f"{server.url}/controls")
        teacher.fill("[name=passcode]", "invented-1")
        teacher.click("button:text('Take the controls')")
        teacher.goto(f"{server.url}/exercise/new")
        teacher.uncheck("input[name=reference]")
        teacher.click("text=Set it")
        sit(teacher, server.url, teacher.locator(".code-wall").inner_text(), "Seat 1")
        teacher.goto(f"{server.url}/exercise/class/1?private=1")
        small, code = teacher.evaluate(FROM_AFAR, height / 40)
        assert small == []
        assert code >= height / 4
        assert teacher.evaluate(SIDEWAYS) <= width
        ARTEFACTS.mkdir(parents=True, exist_ok=True)
        (ARTEFACTS / f"exercise-wall-{width}.png").write_bytes(teacher.screenshot())
    finally:
        server.stop()


def test_it_is_done_without_scripts(start: Callable[[], Server], visit: Callable) -> None:
    server = start()
    page = visit(url=server.url, java_script_enabled=False).page
    page.goto(f"{server.url}/exercise/new")
    page.select_option("#cause", "none")
    page.uncheck("input[name=reference]")
    page.click("text=Set it")
    code = page.locator(".code-wall").inner_text()
    sit(page, server.url, code, "A")
    page.click("text=Run the test")
    for _ in range(200):
        if not page.locator("text=Look again").count():
            break
        page.wait_for_timeout(300)
        page.click("text=Look again")
    expect(page.locator("#shown")).to_be_visible()
    check(page, "oil_level")
    commit(page, "none")
    expect(page.locator("h1")).to_contain_text("it was nothing at fault")
