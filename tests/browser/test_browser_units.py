# SPDX-License-Identifier: MIT
"""The reader's units in a browser: scripts say what the program says, and charts follow."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect
from served import address_of

from rig.core.reader_units import Units

pytestmark = pytest.mark.browser

SENTENCES = [
    "Pressure 553 kPa is over the limit of 552 kPa.", "0 kPa", "-7 kPa", "+2.3 kPa", "1e+03 kPa",
    "20 to 90 degC, ± 0.5 degC", "type `--point 100 kPa`", '"100 kPa" is', "0.0004 kPa",
    "falls by 12.3 kPa/s", "0.5 ms/kPa", "Oil at 104.6 degC", "plus or minus 4.3 kPa (95 %)",
]  # fmt: skip

SAID = """async (sentences) => {
  const units = await import("/static/js/units.js");
  return sentences.map(units.words);
}"""
READ = """async (shown) => (await import("/static/js/units.js")).reading(shown)"""


def choose(page: Page, pressure: str, temperature: str) -> None:
    """At the foot of the page, and back to it."""
    here = page.url
    page.get_by_role("link", name="Units:").click()
    page.get_by_label("Pressure").select_option(pressure)
    page.get_by_label("Temperature").select_option(temperature)
    page.get_by_role("button", name="Show these").click()
    expect(page).to_have_url(here)


@pytest.mark.parametrize(
    "chosen", [Units("psi", "degF"), Units("bar"), Units()], ids=lambda one: str(one)
)
def test_a_script_says_what_the_program_says(visit: Callable[..., object], chosen: Units) -> None:
    page = visit().open("/units")  # type: ignore[attr-defined]
    choose(page, chosen.pressure, chosen.temperature)
    page.wait_for_load_state()
    assert page.evaluate(SAID, SENTENCES) == [chosen.words(one) for one in SENTENCES]
    for kpa in (0, 200, 552):  # live readings: as many digits each time
        assert page.evaluate(READ, f"{kpa} kPa") == chosen.text(kpa, "kPa", 0)
    assert page.evaluate(READ, "90.0 degC") == chosen.text(90, "degC", 1)
    assert page.evaluate(READ, "–") == "–"


def test_the_choice_needs_no_script_and_is_this_browsers_own(
    visit: Callable[..., object],
) -> None:
    address = address_of("simulated")
    plain = visit(java_script_enabled=False).open(address)  # type: ignore[attr-defined]
    choose(plain, "psi", "degF")
    expect(plain.locator("#strokes")).to_contain_text("pressures in psi")
    other = visit().open(address)  # type: ignore[attr-defined]
    expect(other.locator("#strokes")).to_contain_text("pressures in kPa")


def test_the_cursor_reads_the_same_pressure_in_both(visit: Callable[..., object]) -> None:
    read = []
    for pressure in ("kPa", "psi"):
        page = visit().open(address_of("simulated"))  # type: ignore[attr-defined]
        choose(page, pressure, "degC")
        page.wait_for_selector("#traces.plot canvas")
        page.locator("#traces .u-over").hover(position={"x": 200, "y": 60})
        readout = page.locator("#readout")
        expect(readout).to_contain_text(f" {pressure},")
        told = readout.inner_text().split("pressure")[1].split()
        read.append(float(told[0]))
    # 1 psi = 6.894757293168 kPa (NIST SP 811, B.8), each shown to its last digit
    assert read[1] * 6.894757293168 == pytest.approx(read[0], abs=0.05 + 0.005 * 6.9)
