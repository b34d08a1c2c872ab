# SPDX-License-Identifier: MIT
"""Labels for valves: a tag in words and as a QR code, a sheet at a time."""

from __future__ import annotations

import re
from typing import Annotated, NamedTuple

from flask import Blueprint, render_template, request
from markupsafe import Markup
from pydantic import BaseModel, ConfigDict, Field

from rig.runlog import register
from webui import log, qr
from webui.faults import PageFault

MOST = 120

blueprint = Blueprint("labels", __name__)


class LabelQuestion(BaseModel):
    """Tags, one a line (or between commas); without any, the newest of the register."""

    model_config = ConfigDict(extra="forbid")
    tags: Annotated[str, Field(max_length=12_000)] = ""
    copies: Annotated[int, Field(ge=1, le=20)] = 1

    def each(self) -> list[str]:
        """The tags, each once, in the order given."""
        found = [one.strip() for one in re.split(r"[\r\n,]+", self.tags)]
        return list(dict.fromkeys(one for one in found if one))


class Label(NamedTuple):
    """A label: its words, its code, and the kind of valve recorded in the register."""

    tag: str
    code: Markup
    kind: str


@blueprint.get("/valves/labels")
def sheet() -> str:
    """The label sheet, and above it (never printed) the form that fills it."""
    asked = LabelQuestion.model_validate(request.args.to_dict())
    tags = asked.each()
    known = {
        one.name: one.kind for one in register.entries(log.run_log(), register.VALVE, limit=5000)
    }
    if not tags and "tags" not in request.args:
        tags = list(known)[:MOST]
    wrong = [
        line
        for tag in tags
        if tag not in known  # a tag from a run is taken as it is
        for line in register.problems(register.VALVE, tag, "", "")
    ]
    if len(tags) * asked.copies > MOST:
        wrong.append(f"{len(tags) * asked.copies} labels were asked for, {MOST} at most at a time.")
    if wrong:
        raise PageFault(400, "These labels cannot be made", " ".join(wrong), "Change the tags.")
    labels = [
        Label(tag, qr.svg(tag), known.get(tag, "")) for tag in tags for _ in range(asked.copies)
    ]
    return render_template("labels.html", labels=labels, tags=tags, copies=asked.copies, most=MOST)
