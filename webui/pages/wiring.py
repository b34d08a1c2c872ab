# SPDX-License-Identifier: MIT
"""How a rig is wired, drawn from its setup: one offered by the bench, or one stored with a run."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Annotated, Literal, NamedTuple

from flask import Blueprint, Response, current_app, render_template, request
from markupsafe import Markup
from pydantic import BaseModel, ConfigDict, Field

from rig.config.files.loading import LoadedSetup, load_setup, stored_setup
from rig.core.errors import FileProblems
from webui import log
from webui.faults import PageFault

blueprint = Blueprint("wiring", __name__)


class WiringQuestion(BaseModel):
    """Which setup: the bench's, by name, or the one of a run; and in which form."""

    model_config = ConfigDict(extra="forbid")
    setup: Annotated[str, Field(max_length=200)] = ""
    run: Annotated[str, Field(pattern=r"^\s*\d{0,10}\s*$")] = ""
    form: Literal["page", "svg", "parts", "strip"] = "page"


class Drawn(NamedTuple):
    """A setup with its sections; markup comes from the drawing library, names in it are escaped."""

    loaded: LoadedSetup
    sections: tuple[tuple[str, Markup], ...]


@blueprint.get("/wiring")
def show() -> str | Response:
    """The drawing with its lists, for printing; without a query, the available setups."""
    asked = WiringQuestion.model_validate(request.args.to_dict())
    hub = current_app.config["HUB"]
    offered = {} if hub is None else hub.files.setups
    run = int(asked.run) if asked.run.strip() else None
    if not asked.setup and run is None:
        return render_template("wiring.html", offered=list(offered), drawn=None)
    if run is not None:
        header = log.stored_run(run).header
        loaded = _readable(lambda: stored_setup(header.setup_text, header.setup_name))
        name, again = f"run-{run}", {"run": str(run)}
    elif asked.setup in offered:
        loaded = _readable(lambda: load_setup(offered[asked.setup]))
        name, again = asked.setup, {"setup": asked.setup}
    else:
        raise PageFault(404, "There is no such setup here", f'"{asked.setup[:60]}" is not offered.',
                        "Choose one of the list.")  # fmt: skip
    if asked.form != "page":
        return _file(asked.form, loaded, name)
    from rig.wiring import lists, remarks, strip_board

    return render_template(
        "wiring.html", offered=list(offered), drawn=_drawn(loaded.text, loaded.path), name=name,
        again=again, cautions=remarks.cautions(), remarks=remarks.remarks(loaded.setup),
        joints=lists.joints(loaded.setup), bought=lists.bought(loaded.setup), head=lists.HEAD,
        board=strip_board.build(loaded.setup), board_head=strip_board.HEAD,
        order=strip_board.LAMP_FIRST,
    )  # fmt: skip


def _readable(load: Callable[[], LoadedSetup]) -> LoadedSetup:
    """The setup; a plain page with every problem where it cannot be read."""
    try:
        return load()
    except FileProblems as error:
        raise PageFault(
            409,
            "This setup cannot be drawn",
            str(error),
            "Correct the setup, then reload the page.",
        ) from error


def _file(form: str, loaded: LoadedSetup, name: str) -> Response:
    from rig.wiring import draw, lists, strip_board

    if form == "strip":
        made, ending, kind = strip_board.as_csv(strip_board.build(loaded.setup)), "csv", "text/csv"
        name = f"strip-board-{name}"
    elif form == "svg":
        made, ending, kind = draw.whole(loaded.setup, draw.head_of(loaded)), "svg", "image/svg+xml"
    else:
        made, ending, kind = lists.as_csv(lists.bought(loaded.setup)), "csv", "text/csv"
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in name)
    answer = Response(made, mimetype=kind)
    answer.headers["Content-Disposition"] = f'attachment; filename="wiring-{plain}.{ending}"'
    return answer


@functools.lru_cache(maxsize=8)
def _drawn(text: str, name: str) -> Drawn:
    """Cached drawing: a small board needs seconds for it."""
    from rig.wiring.draw import pictures

    loaded = stored_setup(text, name)
    return Drawn(
        loaded,
        tuple((picture.title, Markup(picture.svg)) for picture in pictures(loaded.setup)),  # noqa: S704 - the drawing library escapes what it prints
    )
