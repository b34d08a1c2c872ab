# SPDX-License-Identifier: MIT
"""Overlaid strokes, runs side by side, and the lesson with a class: in use, in Chromium."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect
from served import ARTEFACTS, RUNS, address_of

pytestmark = pytest.mark.browser

SIZES = {"phone": (390, 844), "laptop": (1366, 768), "wide": (1920, 1080)}
NARROW = """() => [...document.querySelectorAll("button, .button, input:not([type=checkbox]):not(
  [type=radio]), select, summary, a.run, label:has(input)")]
  .filter((e) => e.checkVisibility())
  .map((e) => [e.textContent.trim() || e.id, e.getBoundingClientRect()])
  .filter(([, box]) => box.height < 47.5 || box.width < 47.5)
  .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)""".replace("\n  [type", "[type")
SIDEWAYS = "() => Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"
MADE = RUNS["simulated"]
NUMBER = list(RUNS).index("simulated") + 1
COMPARE = f"/compare?run={NUMBER}&run={list(RUNS).index('nasty') + 1}"
LESSON = f"/runs/{NUMBER}/lesson?stroke=3"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_the_new_pages_fit_and_can_be_tapped(visit: Callable, size: str, scheme: str) -> None:
    width, height = SIZES[size]
    watched = visit(width, height, scheme)
    ARTEFACTS.mkdir(parents=True, exist_ok=True)

    def looked_at(name: str) -> None:
        picture = watched.page.screenshot(full_page=True)
        (ARTEFACTS / f"{name}-{size}-{scheme}.png").write_bytes(picture)
        assert watched.page.evaluate(SIDEWAYS) <= width, f"{name} scrolls sideways"
        assert watched.page.evaluate(NARROW) == [], name

    page = watched.open("/compare")
    looked_at("compare-form")
    page = watched.open(COMPARE)
    expect(page.locator("#compare-overlay")).to_have_attribute("data-drawn", "yes")
    looked_at("compare")
    page = watched.open(LESSON)
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    looked_at("lesson-guess")
    page.locator("#reveal").click()
    expect(page.locator("#lesson-traces canvas")).to_be_visible()
    looked_at("lesson")


def test_strokes_lie_over_one_another_and_those_apart_are_named(visit: Callable) -> None:
    page = visit().open(address_of("simulated"))
    expect(page.locator("#overlay")).to_have_attribute("data-way", "on")
    words = page.locator("#overlay-words")
    expect(words).to_contain_text("stroke 4, 9")  # missed
    assert page.locator("#overlay canvas").count() >= 1
    page.locator("#way-off").click()
    expect(page.locator("#overlay")).to_have_attribute("data-way", "off")
    page.locator("#overlay .u-over").first.hover()
    expect(page.locator("#overlay-readout")).to_contain_text("ms after the coil's edge")


def test_on_a_phone_the_longer_parts_begin_folded_and_draw_when_opened(visit: Callable) -> None:
    page = visit(width=390, height=844).open(address_of("simulated"))
    assert page.locator("#overlay canvas").count() == 0
    page.locator("summary", has=page.locator("#overlay-title")).click()
    expect(page.locator("#overlay canvas").first).to_be_visible()
    assert page.locator("#overlay canvas").first.bounding_box()["width"] > 200
    page.locator("summary", has=page.locator("#per-stroke-title")).click()
    expect(page.locator("#per-stroke canvas")).to_be_visible()


def test_runs_are_ticked_and_compared(visit: Callable) -> None:
    page = visit().open("/compare")
    for run in ("simulated", "nasty"):
        page.locator(f'input[name="run"][value="{list(RUNS).index(run) + 1}"]').check()
    page.locator("button", has_text="Compare the ticked runs").click()
    expect(page.locator("#words-title")).to_be_visible()
    assert page.locator(".strip-plot").count() == 4  # two figures of two runs
    assert page.locator("main img").count() == 0  # keys typed into a run number do nothing


def test_a_guess_comes_before_the_answer_and_the_chain_lights_up(visit: Callable) -> None:
    page = visit(1920, 1080).open(LESSON)
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    assert page.locator(".links .took").all_inner_texts() == ["?", "?", "?"]
    page.keyboard.press(" ")
    assert page.locator("#shown").is_hidden()  # nothing plays before the answer
    page.locator("#guess-ms").fill("40")
    page.locator("#guess-links input").nth(1).check()
    page.locator("#reveal").click()
    took = MADE.response_ms + MADE.spread(3)
    expect(page.locator("#answer")).to_contain_text(f"It took {took:.1f} ms")
    expect(page.locator("#answer")).to_contain_text(f"{took - 40:.1f} ms off")
    expect(page.locator("#answer")).to_contain_text("You said so")
    for _ in range(20):
        page.keyboard.press("ArrowRight")
    assert page.locator("#clock-value").inner_text() == "20.0"
    assert page.locator('li[data-link="relay"]').get_attribute("class") == "done"
    together = page.locator('li[data-link="coil + plunger + spool and passage + pressure"]')
    expect(together.locator(".turn")).to_have_text("▶ one of these now")
    cursor = page.locator("#cursor").bounding_box()
    over = page.locator("#lesson-traces .u-over").bounding_box()
    assert over["x"] < cursor["x"] < over["x"] + over["width"]
    page.keyboard.press("o")
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 off")
    assert page.locator("#guess").is_visible()  # the other half is a new question
    page.keyboard.press("PageDown")
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "4 off")
    expect(page.locator("#lesson-title")).to_contain_text("Stroke 4 of 20")


def test_it_plays_so_many_times_slower(visit: Callable) -> None:
    page = visit().open(LESSON)
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    page.keyboard.press("a")
    page.locator("#slower").select_option("50")
    ran = page.evaluate("""async () => {
      const clock = document.getElementById("clock-value");
      document.getElementById("play").click();
      const began = performance.now();
      await new Promise((resolve) => setTimeout(resolve, 1200));
      return [Number(clock.textContent), performance.now() - began];
    }""")
    assert ran[0] == pytest.approx(ran[1] / 50, rel=0.15)


def test_with_reduced_motion_it_goes_from_link_to_link(visit: Callable) -> None:
    page = visit(reduced_motion="reduce").open(LESSON)
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    page.keyboard.press("a")
    page.keyboard.press(" ")
    expect(page.locator("#clock-value")).to_have_text("8.0")  # where the coil went live
    page.keyboard.press(" ")
    assert page.locator("#clock-value").inner_text() == "8.0"


def test_a_class_follows_without_being_able_to_move(visit: Callable) -> None:
    teacher = visit().open(LESSON)
    expect(teacher.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    teacher.locator("#share").click()
    expect(teacher.locator("#share-box")).to_be_visible()
    code = teacher.locator("#lesson").get_attribute("data-shared")
    student = visit(width=390, height=844).open(f"/follow/{code}")
    expect(student.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    assert student.locator("#play").count() == 0
    teacher.locator("#share-hide").click()
    teacher.keyboard.press("a")
    for _ in range(30):
        teacher.keyboard.press("ArrowRight")
    expect(student.locator("#clock-value")).to_have_text("30.0")
    expect(student.locator("#lesson-traces canvas")).to_be_visible()
    teacher.keyboard.press("PageDown")
    expect(student.locator("#lesson")).to_have_attribute("data-loaded", "4 on")
    expect(student.locator("#guess")).to_be_visible()
