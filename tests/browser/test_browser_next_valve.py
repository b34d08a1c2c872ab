# SPDX-License-Identifier: MIT
"""From valve to valve of a batch on a phone and a laptop: number of taps, what the person waits
for, and what the browser does meanwhile: screen, sound, vibration, camera, names from the
register."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from distances import too_near
from playwright.sync_api import Browser, Page, expect
from served import QUIET, chromium_with
from test_browser_bench import TIMEOUT_MS, BenchServer, take_controls

MENTAL_S, POINT_S, TAP_S = 1.35, 1.10, 0.20
"""Deciding, pointing, and a key's press, of the keystroke-level model (Card, Moran and Newell,
Communications of the ACM 23(7), 1980; the values from memory)."""
MOST_TAPS, MOST_S = 2, 6.0

COUNT_TAPS = """addEventListener("click", (event) => {
  if (event.isTrusted) localStorage.setItem("taps", 1 + Number(localStorage.getItem("taps") ?? 0));
}, true);
addEventListener("scroll", () => localStorage.setItem("scrolled", "yes"));
addEventListener("keydown", (event) => {
  if (event.isTrusted) localStorage.setItem("typed", "yes");
}, true);"""

IN_SIGHT = """(e) => {
  const box = e.getBoundingClientRect();
  const hit = document.elementFromPoint(box.left + box.width / 2, box.bottom - 2);
  return box.top >= 0 && box.bottom <= innerHeight && e.contains(hit);
}"""
"""Wholly in the window, and nothing over its lower edge: the stop's bar is at the window's foot."""

RECORD = """
const record = (words) => localStorage.setItem("calls",
  JSON.stringify([...JSON.parse(localStorage.getItem("calls") ?? "[]"), words]));
class Sentinel extends EventTarget {
  async release() { record("released"); this.dispatchEvent(new Event("release")); }
}
Object.defineProperty(navigator, "wakeLock", { value: { request: async (what) => {
  record(`locked ${what}`);
  return (window.sentinel = new Sentinel());
} } });
navigator.vibrate = (pattern) => record(`vibrated ${pattern}`);
window.AudioContext = class {
  state = "running"; currentTime = 0; destination = null;
  createGain() { return { gain: { setValueAtTime() {}, setTargetAtTime() {} }, connect() {} }; }
  createOscillator() {
    return { frequency: {}, connect: (to) => to, stop() {},
      start() { record(`tone ${this.frequency.value}`); } };
  }
};"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[BenchServer]:
    made = BenchServer(tmp_path)
    yield made
    made.stop()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """With a camera that shows the browser's own moving test picture."""
    fake = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
    with chromium_with([*QUIET, *fake]) as browser:
        yield browser


def short_sheet(page: Page, bench: BenchServer, strokes: int = 2) -> None:
    """A sheet "short" with this many strokes, and the bench."""
    page.goto(f"{bench.url}/bench/sheet/workshop")
    page.fill('input[name="f:strokes"]', str(strokes))
    page.fill('input[name="keep_as"]', "short")
    page.click("text=Check and keep")
    page.goto(f"{bench.url}/bench")
    page.select_option("select[name=sheet]", "short")


def make_batch(page: Page, tags: str) -> None:
    page.click("#batch summary")
    page.fill("#batch-tags", tags)
    page.click("text=Keep this list")
    page.wait_for_selector("ol.batch")


def first_run(page: Page) -> None:
    page.select_option("select[name=sheet]", "short")
    page.click("text=Check the rig")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)


def until(page: Page, expression: str) -> None:
    """Wait until it is true; the page's policy forbids the driver's own method, which evaluates."""
    end = time.monotonic() + TIMEOUT_MS / 1e3
    while not page.evaluate(expression):
        assert time.monotonic() < end, expression
        page.wait_for_timeout(100)


def calls(page: Page) -> list[str]:
    found: list[str] = json.loads(page.evaluate("localStorage.getItem('calls') ?? '[]'"))
    return found


@pytest.mark.parametrize("size", [(390, 844), (1366, 768)])
def test_one_more_valve_of_a_batch_takes_two_taps_and_six_seconds(
    bench: BenchServer, visit: Callable, size: tuple[int, int]
) -> None:
    """From the end of a run to the start of the next: no typing, no scrolling, and the one wait
    imposed by the page (a second before arming) is shorter than deciding and pointing take."""
    page = visit(*size, url=bench.url).page
    take_controls(page, bench.url)
    short_sheet(page, bench, strokes=5)
    make_batch(page, "V-7\nA-3\nV-9")
    first_run(page)
    expect(page.locator("#go-on")).to_contain_text("1 of 3 done, 2 left")
    expect(page.locator("#next-tag")).to_have_value("A-3")  # of the list, not the next number
    page.context.add_init_script(COUNT_TAPS)
    page.reload()
    page.evaluate("localStorage.clear()")
    taps = [page.locator("#next-valve"), page.locator("#go")]
    assert page.evaluate("scrollY") == 0 and taps[0].evaluate(IN_SIGHT)
    expect(page.locator("#how-ended .big")).to_be_visible()
    assert too_near(page) == []
    taps[0].click()
    page.wait_for_selector("#go", timeout=TIMEOUT_MS)
    drawn_ms = page.evaluate("performance.now()")
    assert page.evaluate("scrollY") == 0 and taps[1].evaluate(IN_SIGHT), "to be scrolled for"
    assert too_near(page) == []
    expect(page.locator(".arms")).to_contain_text("A-3")
    page.wait_for_selector("#go:enabled")
    waited_s = (page.evaluate("performance.now()") - drawn_ms) / 1e3
    assert waited_s <= MENTAL_S + POINT_S, "the person waits for the page"
    taps[1].click()
    page.wait_for_selector("#live:not([hidden]), #how-ended", timeout=TIMEOUT_MS)  # a busy machine
    taken = page.evaluate("['taps', 'scrolled', 'typed'].map((n) => localStorage.getItem(n))")
    assert taken[1:] == [None, None]
    n = int(taken[0])
    assert n <= MOST_TAPS
    assert n * (MENTAL_S + POINT_S + TAP_S) <= MOST_S
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)
    expect(page.locator("#go-on")).to_contain_text("2 of 3 done, 1 left")
    page.goto(f"{bench.url}/runs/2")
    expect(page.locator("main")).to_contain_text("A-3")


def test_the_measuring_of_what_is_in_sight_can_fail(bench: BenchServer, visit: Callable) -> None:
    page = visit(390, 844, url=bench.url).page
    take_controls(page, bench.url)
    look = page.locator("text=Check the rig").first
    look.evaluate("(e) => e.scrollIntoView({ block: 'center' })")
    assert look.evaluate(IN_SIGHT)
    look.evaluate("(e) => scrollBy(0, e.getBoundingClientRect().top - innerHeight)")
    assert not look.evaluate(IN_SIGHT)


def test_the_screen_is_held_and_the_end_is_called_once(bench: BenchServer, visit: Callable) -> None:
    page = visit(390, 844, url=bench.url).page
    page.add_init_script(RECORD)
    take_controls(page, bench.url)
    short_sheet(page, bench, strokes=6)
    page.fill("#valve", "V-1")
    assert calls(page) == [], "nothing before a run"
    page.click("text=Check the rig")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    page.wait_for_selector("#live:not([hidden])", timeout=TIMEOUT_MS)
    expect(page.locator("#attention-said")).to_contain_text("stays on until the run is over")
    held = calls(page).count("locked screen")
    page.evaluate("""() => {
      let shown = "hidden";
      Object.defineProperty(document, "visibilityState", { get: () => shown, configurable: true });
      sentinel.dispatchEvent(new Event("release"));  // what a browser does with a hidden page
      document.dispatchEvent(new Event("visibilitychange"));
      shown = "visible";
    }""")
    assert calls(page).count("locked screen") == held, "not while it is hidden"
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    until(page, f"localStorage.calls.split('locked').length > {held + 1}")
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)
    until(page, "localStorage.calls.includes('tone')")
    page.reload()
    page.wait_for_timeout(1500)
    found = calls(page)
    assert found.count("vibrated 250") == 1 and found.count("tone 660") == 1, found
    assert found[-1] != "locked screen", "let go of after the end"
    page.click("#attention summary")
    page.uncheck("#attend-sound")
    page.uncheck("#attend-screen")
    page.evaluate("localStorage.removeItem('calls')")
    page.click("text=Same again")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)
    until(page, "(localStorage.calls ?? '').includes('vibrated')")
    assert calls(page) == ["vibrated 250"], "what was switched off stays off"


def test_a_trip_and_an_alarm_call_in_ways_of_their_own(bench: BenchServer, visit: Callable) -> None:
    page = visit(url=bench.url).page
    page.add_init_script(RECORD)
    take_controls(page, bench.url)
    page.goto(f"{bench.url}/bench")
    page.evaluate("""async () => {
      const { attend } = await import("/static/js/attention.js");
      const { heard } = attend({ operator: true, phase: "running" });
      const of = { phase: "running", look: "a" };
      heard({ ...of, live: { trip: { t_ns: 1 } } });
      heard({ ...of, live: { trip: { t_ns: 1 } }, ended: { run: 1 } });
      heard({ ...of, alarm: "The bench does not answer.", live: { trip: { t_ns: 1 } } });
      heard({ phase: "ended", look: "another browser's", ended: { run: 2 } });
    }""")
    page.wait_for_timeout(300)
    shaken = [one for one in calls(page) if one.startswith("vibrated")]
    assert shaken == ["vibrated 400,150,400,150,400", "vibrated 1000,200,1000,200,1000"]
    tones = [one for one in calls(page) if one.startswith("tone")]
    assert tones[:2] == ["tone 880", "tone 440"] and "tone 988" in tones


PLAIN_HTTP = """Object.defineProperty(window, "isSecureContext", { value: false });
Object.defineProperty(navigator, "wakeLock", { value: undefined });"""


def test_plain_http_says_why_there_is_no_camera_and_no_wake_lock(
    bench: BenchServer, visit: Callable
) -> None:
    page = visit(390, 844, url=bench.url).page
    page.add_init_script(PLAIN_HTTP)
    take_controls(page, bench.url)
    expect(page.locator("#attention")).to_contain_text("needs HTTPS")
    page.click("[data-scan=valve]")
    expect(page.locator("#camera-said")).to_contain_text("HTTPS")
    expect(page.locator("#camera-said")).to_contain_text("Type the tag")
    expect(page.locator("#camera-view")).to_be_hidden()
    page.keyboard.press("Escape")
    expect(page.locator("#camera")).to_be_hidden()
    expect(page.locator("#valve")).to_be_focused()
    page.click("[data-scan=valve]")
    page.keyboard.press("Tab")
    page.click("#camera-close")
    expect(page.locator("#valve")).to_be_focused()


READER = """window.BarcodeDetector = class {
  static async getSupportedFormats() { return ["qr_code"]; }
  async detect(source) {
    if (source instanceof ImageBitmap) return [{ rawValue: "V-PHOTO" }];
    if (!(source instanceof HTMLVideoElement) || !source.videoWidth) throw new Error("no picture");
    return window.code ? [{ rawValue: window.code }] : [];
  }
};"""


def test_a_labels_code_is_read_by_the_camera(bench: BenchServer, visit: Callable) -> None:
    """The browser's camera, with a stand-in for its code reader, which this browser lacks."""
    page = visit(390, 844, url=bench.url, permissions=["camera"]).page
    page.add_init_script(READER)
    take_controls(page, bench.url)
    page.click("[data-scan=valve]")
    until(page, "document.getElementById('camera-view').videoWidth > 0")
    page.evaluate("window.code = 'https://elsewhere.example/' + 'x'.repeat(80)")
    expect(page.locator("#camera-said")).to_contain_text("not a label's")
    page.evaluate("window.code = ' V-042 '")
    expect(page.locator("#valve")).to_have_value("V-042")
    expect(page.locator("#camera")).to_be_hidden()
    assert page.evaluate("document.getElementById('camera-view').srcObject") is None, "goes on"
    page.evaluate("window.code = null")
    page.click("#batch summary")
    page.click("[data-scan=batch-tags]")
    for code in ("V-1", "V-2", "V-1"):
        page.evaluate("(code) => { window.code = code; }", code)
        expect(page.locator("#camera-found")).to_contain_text(code)
    page.wait_for_timeout(400)
    page.click("#camera-close")
    assert page.input_value("#batch-tags") == "V-1\nV-2"


def test_without_a_camera_a_photo_is_read_and_without_a_reader_one_types(
    bench: BenchServer, visit: Callable
) -> None:
    page = visit(390, 844, url=bench.url).page
    take_controls(page, bench.url)
    if page.evaluate("'BarcodeDetector' in window"):
        pytest.skip("this browser has a reader of codes")
    page.click("[data-scan=valve]")
    expect(page.locator("#camera-said")).to_contain_text("no reader of codes")
    expect(page.locator("#camera-photo")).to_be_hidden()
    page.add_init_script(
        READER
        + """
      navigator.mediaDevices.getUserMedia = async () => {
        throw new DOMException("", "NotFoundError");
      };"""
    )
    page.reload()
    page.click("[data-scan=valve]")
    expect(page.locator("#camera-said")).to_contain_text("No camera was found")
    picture = page.screenshot(clip={"x": 0, "y": 0, "width": 40, "height": 40})
    page.set_input_files(
        "#camera-photo input", {"name": "a.png", "mimeType": "image/png", "buffer": picture}
    )
    expect(page.locator("#valve")).to_have_value("V-PHOTO")


def test_names_come_from_the_register_while_typing(bench: BenchServer, visit: Callable) -> None:
    watched = visit(url=bench.url)
    page = watched.page
    take_controls(page, bench.url)
    short_sheet(page, bench)
    page.fill("#valve", "ODD-17")
    first_run(page)
    page.goto(f"{bench.url}/valves")
    page.fill("input[name=name]", "EVEN-18")
    page.click("text=Enter it")
    page.goto(f"{bench.url}/bench")
    names = "() => [...document.getElementById('known-valves').options].map((o) => o.value)"
    assert page.evaluate(names) == ["EVEN-18", "ODD-17"]
    page.locator("#valve").press_sequentially("odd")
    until(page, f"({names})().join() === 'ODD-17'")


def test_a_run_on_a_phone_has_no_way_off_the_page_under_a_thumb(
    bench: BenchServer, visit: Callable
) -> None:
    """Leaving the operator's page ends the run: from the look to the end only Stop and Leave."""
    page = visit(390, 844, url=bench.url).page
    take_controls(page, bench.url)
    short_sheet(page, bench, strokes=20)
    expect(page.locator("header nav")).to_be_visible()
    page.click("text=Check the rig")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    page.wait_for_selector("#live:not([hidden])", timeout=TIMEOUT_MS)
    expect(page.locator("header nav")).to_be_hidden()
    plot, values = page.locator("#stroke").bounding_box(), page.locator("#dots").bounding_box()
    stop = page.locator(".stop-bar").bounding_box()
    assert plot and values and stop and plot["y"] < values["y"]
    assert values["y"] + values["height"] <= stop["y"], "both plots on one screen"
    page.click("button.stop")
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)
    expect(page.locator("header nav")).to_be_visible()


def test_what_was_typed_outlives_the_controls_and_a_look_at_the_sheet(
    bench: BenchServer, visit: Callable
) -> None:
    watched = visit(390, 844, url=bench.url)
    watched.forgiven.append("403 (FORBIDDEN)")
    page = watched.page
    page.goto(f"{bench.url}/bench")
    other = "leak-down" if page.input_value("#sheet-choice") != "leak-down" else "workshop"
    page.fill("#valve", "V-303")
    page.select_option("#sheet-choice", other)
    page.click("button:has-text('Take the controls')")
    expect(page.locator("text=This browser has the controls")).to_be_visible()
    expect(page.locator("#valve")).to_have_value("V-303")
    expect(page.locator("#sheet-choice")).to_have_value(other)
    page.click("#edit-sheet")
    expect(page.locator("h1")).to_contain_text(other)
    expect(page.locator("select[name=setup]")).to_have_value("workshop")
    page.click("text=Back to the bench")
    expect(page.locator("#valve")).to_have_value("V-303")
    page.click("#edit-sheet")
    page.fill('input[name="keep_as"]', "mine")
    page.click("text=Check and keep")
    page.click("main a:text-is('Bench')")
    expect(page.locator("#sheet-choice")).to_have_value("mine")
    expect(page.locator("#valve")).to_have_value("V-303")
    # a page from before the program was restarted
    page.evaluate("document.querySelector('#next-run [name=csrf]').value = 'old'")
    page.click("text=Check the rig")
    expect(page.locator("h1")).to_contain_text("has expired")
    page.click("main a:text-is('Bench')")
    expect(page.locator("#valve")).to_have_value("V-303")


def test_what_was_changed_for_the_next_run_is_not_passed_over_by_the_button_above(
    bench: BenchServer, visit: Callable
) -> None:
    page = visit(390, 844, url=bench.url).page
    take_controls(page, bench.url)
    short_sheet(page, bench)
    page.fill("#valve", "V-1")
    first_run(page)
    above, said = page.locator("#next-valve"), page.locator("#changed-below")
    expect(above).to_be_enabled()
    expect(said).to_be_hidden()
    page.click("#next-run summary >> nth=0")
    page.fill("#next-run [name=note]", "hot")
    expect(above).to_be_disabled()
    expect(page.locator("text=Same again")).to_be_disabled()
    expect(said).to_contain_text("changed under Next run")
    assert too_near(page) == []
    page.reload()
    expect(page.locator("#next-run [name=note]")).to_have_value("hot")
    expect(above).to_be_disabled()
    page.fill("#next-run [name=note]", "")
    expect(above).to_be_enabled()
    expect(said).to_be_hidden()


@pytest.mark.parametrize("size", [(390, 844), (1366, 768)])
def test_whoever_moves_the_pressure_of_a_ramp_sees_its_rate_and_the_plot(
    bench: BenchServer, visit: Callable, size: tuple[int, int]
) -> None:
    """Without scrolling, and not covered by the Stop."""
    page = visit(*size, url=bench.url).page
    take_controls(page, bench.url)
    page.select_option("select[name=sheet]", "switch-pressures")
    page.click("text=Check the rig")
    page.click("#go:enabled", timeout=TIMEOUT_MS)
    expect(page.locator("#pace")).to_contain_text("right", timeout=TIMEOUT_MS)
    shown = [page.locator(one) for one in ("#pace", '[data-kind="ramp"] [data-of="rate"]', "#ramp")]
    assert [one.evaluate(IN_SIGHT) for one in shown] == [True] * 3
    page.keyboard.press("Escape")
    page.wait_for_selector("#how-ended", timeout=TIMEOUT_MS)


def test_a_long_tag_that_is_refused_leaves_the_page_as_wide_as_a_phone(
    bench: BenchServer, visit: Callable
) -> None:
    watched = visit(390, 844, url=bench.url)
    watched.forgiven.append("422")
    page = watched.page
    take_controls(page, bench.url)
    page.click("#batch summary")
    page.fill("#batch-tags", "V-" + "9" * 120)
    page.click("text=Keep this list")
    expect(page.locator(".problems")).to_contain_text("80 at most")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
