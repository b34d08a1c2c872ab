# SPDX-License-Identifier: MIT
"""A lesson in front of a class, in Chromium: type legible from the back row, guesses from phones,
all by keyboard, and what a page without a script says."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from served import ARTEFACTS, RUNS, Server
from taught import DEMO, FULL, go_on, ready, write_taught

pytestmark = pytest.mark.browser

WALLS = [(1920, 1080), (1366, 768)]
SMALLEST_SHARE = 1 / 40
"""Of the picture's height, for all that is talked about (common practice, no source)."""


@pytest.fixture(scope="module")
def log_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("class")
    write_taught(folder)
    return folder


@pytest.fixture(scope="module")
def operating(log_folder: Path) -> Iterator[Server]:
    setup, sheet = DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml"
    with Server(log_folder, "--setup", str(setup), "--sheet", str(sheet)) as started:
        yield started


def shared(page: Page) -> str:
    page.locator("#share").click()
    expect(page.locator("#share-box")).to_be_visible()
    code = page.locator("#lesson").get_attribute("data-shared")
    page.locator("#share-hide").click()
    return str(code)


# -- read from the back row

HOOK = """() => {
  window.drawn = [];
  const real = CanvasRenderingContext2D.prototype.fillText;
  CanvasRenderingContext2D.prototype.fillText = function (words, ...more) {
    const px = parseFloat(this.font.match(/([\\d.]+)px/)[1]);
    window.drawn.push([words, px * this.getTransform().a / devicePixelRatio]);
    return real.call(this, words, ...more);
  };
}"""
SIZES = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const e = node.parentElement;
    const words = node.textContent.trim();
    const box = e.getBoundingClientRect();
    const aside = e.closest("option, .parts, .skip, .stop-said");
    if (!words || !e.checkVisibility() || box.width < 2 || aside) continue;
    const px = parseFloat(getComputedStyle(e).fontSize);
    found.push([words, e.closest("svg") ? px * e.getScreenCTM().d : px]);
  }
  return found;
}"""


def too_small(page: Page, height: int) -> list[str]:
    """Text smaller than the share, CSS px. The stop's own note is not discussed in class."""
    written = page.evaluate(SIZES) + page.evaluate("() => window.drawn.splice(0)")
    assert len(written) > 10
    least = height * SMALLEST_SHARE
    return sorted({f"{words}: {px:.1f} px" for words, px in written if px < least})


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", WALLS, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.timeout(300)  # six looks at two sizes on a busy machine
def test_all_that_is_talked_about_can_be_read_from_the_back_row(
    visit: Callable, operating: Server, size: tuple[int, int], scheme: str
) -> None:
    width, height = size
    watched = visit(width, height, scheme, url=operating.url)
    watched.page.add_init_script(f"({HOOK})()")
    page = ready(watched.open(FULL))
    phone = ready(visit(390, 844, scheme, url=operating.url).open(f"/follow/{shared(page)}"))
    phone.locator("#guess-ms").fill("31")
    phone.locator("#guess-links input").first.check()
    phone.locator("#guess-send").click()
    expect(page.locator("#guess-count")).to_have_text("1 phone has guessed.")
    page.keyboard.press("f")
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    faults: list[str] = []

    def look(name: str) -> None:
        page.wait_for_timeout(200)
        faults.extend(f"{name}: {one}" for one in too_small(page, height))
        picture = page.screenshot()
        (ARTEFACTS / f"wall-{name}-{width}-{scheme}.png").write_bytes(picture)
        tall, wide = page.evaluate(
            "() => [document.documentElement.scrollHeight, document.documentElement.scrollWidth]"
        )
        if wide > width or tall > height:
            faults.append(f"{name} is {wide} x {tall}, more than the screen")

    look("guess")
    page.keyboard.press("c")
    expect(page.locator("#share-address")).to_be_visible()
    look("code")
    page.keyboard.press("c")
    page.keyboard.press("g")
    expect(page.locator("#tally-times li")).to_have_count(1)
    look("tally")
    page.keyboard.press("a")
    go_on(page, 15)
    expect(page.locator("#lesson-traces canvas")).to_be_visible()
    look("answer")
    page.keyboard.press("m")
    look("model")
    assert not faults, "\n".join(faults)


def test_the_measuring_of_type_here_can_fail(visit: Callable) -> None:
    watched = visit(1920, 1080)
    watched.page.add_init_script(f"({HOOK})()")
    page = ready(watched.open(FULL))
    page.keyboard.press("a")
    page.wait_for_timeout(300)
    small = too_small(page, 1080)  # the page's ordinary view is read from a chair
    assert any(one.startswith("command: 13.0") for one in small), "a lane's name on the canvas"
    assert any(one.startswith("Play") for one in small)


# -- full screen and the stop


def test_the_stop_stays_and_escape_is_still_its_key(visit: Callable, operating: Server) -> None:
    page = ready(visit(url=operating.url).open(FULL))
    page.keyboard.press("f")
    stop = page.locator(".stop-bar button")
    expect(stop).to_be_in_viewport()
    covered = page.evaluate("""() => { const b = document.querySelector(".stop-bar button")
      .getBoundingClientRect(); const e = document.elementFromPoint(b.x + b.width / 2, b.y +
      b.height / 2); return !e.closest(".stop-bar"); }""")
    assert not covered
    with page.expect_request(lambda request: request.url.endswith("/stop")):
        page.keyboard.press("Escape")
    expect(page.locator(".stop-said")).not_to_contain_text("Stopping")


def test_without_a_stop_the_view_fills_the_screen_and_leaves_it(visit: Callable) -> None:
    page = ready(visit().open(FULL))
    page.locator("#wall").click()
    expect(page.locator("#wall")).to_have_text("Leave full screen")
    page.wait_for_function("() => document.fullscreenElement !== null")
    page.evaluate("() => document.exitFullscreen()")  # as the browser's own key does
    expect(page.locator("#wall")).to_have_text("Full screen")
    assert page.locator(".top").is_visible()


# -- the class


def test_phones_guess_the_tally_is_shown_and_the_next_question_is_asked(visit: Callable) -> None:
    teacher = ready(visit(1366, 768).open(FULL))
    code = shared(teacher)
    phones = [ready(visit(width=390, height=844).open(f"/follow/{code}")) for _ in range(3)]
    for n, phone in enumerate(phones):
        assert phone.locator("nav, .stop-bar, a[href^='/']").count() == 0
        phone.locator("#guess-ms").fill(str(20 + 5 * n))
        phone.locator("#guess-links input").nth(min(n, 1)).check()
        phone.locator("#guess-send").click()
        expect(phone.locator("#guess-sent")).to_contain_text("Sent")
    expect(teacher.locator("#guess-count")).to_have_text("3 phones have guessed.")
    assert teacher.locator("#tally").is_hidden()
    teacher.keyboard.press("g")
    bars = teacher.locator("#tally-parts li")
    expect(bars).to_have_count(2)
    assert [one.split("\n")[-1] for one in bars.all_inner_texts()] == ["1", "2"]
    expect(phones[0].locator("#tally-title")).to_have_text("What was guessed: 3 guesses")
    assert "◀ measured" not in phones[0].locator("#tally").inner_text()
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    (ARTEFACTS / "lesson-tally.png").write_bytes(teacher.screenshot(full_page=True))
    (ARTEFACTS / "lesson-tally-phone.png").write_bytes(phones[0].screenshot(full_page=True))
    teacher.keyboard.press("a")
    expect(teacher.locator("#answer")).to_contain_text("The middle of the guesses: 25.0 ms")
    expect(phones[0].locator("#answer")).to_contain_text("The middle of the guesses: 25.0 ms")
    teacher.keyboard.press("n")
    expect(teacher.locator("#guess")).to_be_visible()
    here = teacher.locator("#lesson").get_attribute("data-loaded")
    assert here != "3 on"
    expect(phones[0].locator("#lesson")).to_have_attribute("data-loaded", str(here))
    expect(teacher.locator("#guess-count")).to_have_text("0 phones have guessed.")
    assert phones[0].locator("#guess-ms").input_value() == ""
    expect(phones[0].locator("#guess-sent")).not_to_contain_text("Sent. ")


def test_the_class_comes_along_to_another_run_and_over_a_reload(visit: Callable) -> None:
    teacher = ready(visit().open(FULL))
    code = shared(teacher)
    phone = ready(visit(width=390, height=844).open(f"/follow/{code}"))
    phone.locator("#guess-ms").fill("31")
    phone.locator("#guess-send").click()
    expect(phone.locator("#guess-sent")).to_contain_text("Sent")
    phone.reload()
    expect(phone.locator("#guess-sent")).to_contain_text("Sent. You can change it")

    teacher.keyboard.press("a")
    go_on(teacher, 7)
    expect(phone.locator("#clock-value")).to_have_text("7.0")
    teacher.reload()  # as a computer that slept may do
    expect(teacher.locator("#clock-value")).to_have_text("7.0")
    expect(teacher.locator("#answer")).to_be_visible()
    assert teacher.locator("#lesson").get_attribute("data-shared") == code
    go_on(teacher, 2)
    expect(phone.locator("#clock-value")).to_have_text("9.0")

    other = f"/runs/{list(RUNS).index('simulated') + 1}/lesson?stroke=3"
    teacher.goto(teacher.url.split("/runs/")[0] + other)
    expect(phone.locator("#lesson")).to_have_attribute("data-run", str(len(RUNS) + 1))
    assert shared(ready(teacher)) == code, "the same code for all that follows"
    expect(phone.locator("#lesson")).to_have_attribute("data-run", other.split("/")[2])
    expect(phone.locator("#guess")).to_be_visible()
    assert phone.locator("nav, .stop-bar").count() == 0


def test_who_teaches_is_told_once_the_class_does_not_follow(visit: Callable) -> None:
    watched = visit()
    watched.forgiven.append("404")
    teacher = ready(watched.open(FULL))
    code = shared(teacher)
    key = teacher.evaluate("() => JSON.parse(sessionStorage.getItem('lesson')).key")
    ended = teacher.evaluate(
        """([code, key]) => fetch(`/api/lessons/${code}`, {method: "DELETE", headers: {
          "X-Lesson-Key": key, "X-CSRF": document.getElementById("lesson").dataset.csrf}})
          .then((answer) => answer.status)""", [code, key])  # fmt: skip
    assert ended == 200
    expect(teacher.locator("#lesson-fault")).to_contain_text("does not follow any more")
    assert shared(teacher) != code
    expect(teacher.locator("#lesson-fault")).to_be_empty()


def test_parts_that_may_both_be_the_longest_are_both_named(visit: Callable) -> None:
    """15.0 +/- 0.4 beside 14.5 +/- 0.3: they may well be equal. 14.0 +/- 0.3 is shorter."""
    page = ready(visit().open(FULL))
    said = page.evaluate("""async () => {
      const { answerLines, measuredAnswer } = await import("/static/js/lessonlinks.js");
      const link = (name, took_ms, u95_ms) => ({ name, took_ms, u95_ms, measured: true });
      const told = (...links) => { const data = { links, together: [], settled_ms: 40,
        reference_ms: 0, counts_from: "coil" };
        return [answerLines(data, "", "coil").at(-1), measuredAnswer(data).parts]; };
      return [told(link("coil", 14.5, 0.3), link("pressure", 15.0, 0.4)),
              told(link("coil", 14.0, 0.3), link("pressure", 15.0, 0.4))]; }""")
    assert said[0] == [
        "The longest: pressure, 15.0 ms, or coil, 14.5 ms: closer together than they are "
        "uncertain. You said so.",
        ["pressure", "coil"],
    ]
    assert said[1] == ["The longest: pressure, 15.0 ms. You said coil.", ["pressure"]]


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (390, 844)])
def test_the_answer_is_in_view_after_the_code_was_shown(
    visit: Callable, operating: Server, width: int, height: int
) -> None:
    page = ready(visit(width, height, url=operating.url).open(FULL))
    page.locator("#share").click()
    expect(page.locator("#share-address")).not_to_be_empty()
    assert page.evaluate("scrollY") > 0, "to the code"
    page.keyboard.press("a")
    expect(page.locator("#answer")).to_be_in_viewport(ratio=1)
    ARTEFACTS.mkdir(parents=True, exist_ok=True)
    (ARTEFACTS / f"lesson-answer-{width}.png").write_bytes(page.screenshot())


def test_a_long_choice_leaves_its_circle_round(visit: Callable) -> None:
    page = ready(visit(width=390, height=844).open(FULL))
    sizes = page.locator("#guess-links input").evaluate_all(
        "(all) => all.map((one) => one.offsetWidth)"
    )
    assert len(sizes) > 2 and set(sizes) == {24}


def test_a_lesson_goes_by_keyboard_alone(visit: Callable, operating: Server) -> None:
    """Every button of the lesson can be reached by Tab, in an order that begins with the answer."""
    page = ready(visit(url=operating.url).open(FULL))
    reached: list[Any] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("() => document.activeElement.id || document.activeElement.tagName")
        )
    for wanted in ("share", "reveal", "next", "way", "wall", "guess-ms"):
        assert wanted in reached, wanted
    page.locator("#reveal").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#answer")).to_be_visible()
    page.locator("#wall").focus()
    page.keyboard.press("Enter")
    expect(page.locator("body")).to_have_class("with-stop at-rest wall")


@pytest.mark.parametrize("of_the_class", [False, True])
def test_without_javascript_the_page_says_what_it_needs(
    visit: Callable, of_the_class: bool
) -> None:
    address = FULL
    if of_the_class:
        address = f"/follow/{shared(ready(visit().open(FULL)))}"
    page = visit(java_script_enabled=False).open(address)
    expect(page.locator("noscript h1")).to_contain_text("needs JavaScript")
    assert page.locator("#lesson").is_hidden()
    assert page.locator("noscript a").count() == (0 if of_the_class else 1)
