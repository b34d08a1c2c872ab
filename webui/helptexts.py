# SPDX-License-Identifier: MIT
"""Help: the Markdown files of webui/help/, rendered here and served without a network."""

from __future__ import annotations

import functools
import itertools
import re
from pathlib import Path
from typing import NamedTuple

from flask import Blueprint, abort, render_template
from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from rig.core.message_ids import slug

FOLDER = Path(__file__).parent / "help"

blueprint = Blueprint("help", __name__, url_prefix="/help")


class HelpText(NamedTuple):
    """One rendered help page; `anchors` are the ids of its headings."""

    name: str
    title: str
    html: Markup
    anchors: tuple[str, ...]


@blueprint.get("/")
def index() -> str:
    """The index: its own text if there is one, then every page by title."""
    start = text("index") if "index" in names() else None
    return render_template(
        "help_index.html", start=start, texts=[text(name) for name in names() if name != "index"]
    )


@blueprint.get("/<name>")
def page(name: str) -> str:
    """One help page."""
    if name not in names() or name == "index":
        abort(404, "There is no help page of this name.")
    return render_template("help.html", text=text(name))


def names() -> list[str]:
    """All help pages, by file name without suffix."""
    return sorted(path.stem for path in FOLDER.glob("*.md"))


@functools.cache
def text(name: str) -> HelpText:
    """A help page of `names()`, rendered once and cached."""
    source = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = markdown.parse(source)
    title, anchors = name, []
    for token, inside in itertools.pairwise(tokens):
        if token.type == "heading_open":
            anchor = slug(inside.content)
            token.attrSet("id", anchor)
            anchors.append(anchor)
            if token.tag == "h1" and title == name:
                title = inside.content
        if inside.type == "inline":
            _point_links_at_pages(inside.children or [])
    html = markdown.renderer.render(tokens, markdown.options, {})
    # tables scroll in their own box, so that the page never scrolls sideways
    html = html.replace("<table>", '<div class="scroll" tabindex="0"><table>')
    html = html.replace("</table>", "</table></div>")
    html = html.replace("<pre>", '<pre tabindex="0">')  # so do examples, with the keyboard too
    return HelpText(name, title, Markup(html), tuple(anchors))  # noqa: S704 - our files, html off


def _point_links_at_pages(tokens: list[Token]) -> None:
    for token in tokens:
        target = token.attrGet("href")
        if token.type == "link_open" and isinstance(target, str):
            token.attrSet("href", re.sub(r"^(?:\./)?([a-z0-9_-]+)\.md(?=#|$)", r"/help/\1", target))


class KeyHelp(NamedTuple):
    """What a help page's tables say about one key, as plain text with typed text in back-ticks."""

    what: str
    left_out: str
    allowed: str


_ROW = re.compile(r"^\| `([a-z_0-9]+)` \|(.*)\|$")
_LINK = re.compile(r"\[([^\]]+)\]\([^)]*\)")


@functools.cache
def keys(name: str) -> dict[tuple[str, str], KeyHelp]:
    """The keys of a help page by heading and key; its table of allowed ranges applies to all."""
    rows: dict[tuple[str, str], list[str]] = {}
    allowed: dict[str, str] = {}
    heading = ""
    for line in (FOLDER / f"{name}.md").read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            heading = line[3:]
        elif found := _ROW.match(line):
            cells = [_LINK.sub(r"\1", cell.strip()) for cell in found[2].split(" | ")]
            if len(cells) == 1:
                allowed.setdefault(found[1], cells[0])
            elif len(cells) == 2:
                rows[heading, found[1]] = cells
    return {
        (heading, key): KeyHelp(what, left_out, allowed.get(key, ""))
        for (heading, key), (what, left_out) in rows.items()
    }
