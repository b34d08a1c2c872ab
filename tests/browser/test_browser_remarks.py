# SPDX-License-Identifier: MIT
"""Tags, notes and checks by hand in a browser: recorded with and without scripts."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import expect
from served import address_of


def test_a_tag_and_a_note_leave_the_plots_where_they_are(visit: Callable) -> None:
    watched = visit()
    watched.forgiven.append("422")
    page = watched.open(address_of("simulated"))
    page.evaluate("document.body.dataset.same = 'yes'")
    page.click("text=Write something down")
    page.fill("input[name=tag]", "a,b")
    page.click("text=Add tag")
    expect(page.locator("#remarks [role=alert]")).to_contain_text("Not written down")
    expect(page.locator("input[name=tag]")).to_have_value("a,b")
    page.fill("input[name=tag]", "spare")
    page.click("text=Add tag")
    expect(page.locator("#remarks a.tag")).to_have_text("spare")
    page.click("text=Write something down")
    page.fill("textarea[name=text]", "Plug was loose.")
    page.click("text=Add the note")
    expect(page.locator("#remarks blockquote")).to_contain_text("Plug was loose.")
    page.click("#remarks button[aria-label^=Take]")
    expect(page.locator("#remarks a.tag")).to_have_count(0)
    assert page.evaluate("document.body.dataset.same") == "yes", "the page was loaded anew"


def test_a_page_that_is_too_old_says_so(visit: Callable) -> None:
    watched = visit()
    watched.forgiven.append("403")
    page = watched.open(address_of("simulated"))
    page.context.clear_cookies()
    page.click("text=Write something down")
    page.fill("input[name=tag]", "spare")
    page.click("text=Add tag")
    expect(page.locator("h1")).to_have_text("This page has expired")


def test_without_scripts_a_note_loads_the_page(visit: Callable) -> None:
    page = visit(java_script_enabled=False).open(address_of("bare"))
    page.click("text=Write something down")
    page.fill("textarea[name=text]", "By hand.")
    page.click("text=Add the note")
    expect(page).to_have_url(re.compile("#remarks$"))
    expect(page.locator("#remarks blockquote")).to_contain_text("By hand.")
