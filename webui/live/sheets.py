# SPDX-License-Identifier: MIT
"""Sheets written on the page: a form, validated while it is filled in by the file's own reader."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from flask import Blueprint, current_app, render_template, request

from rig.actions.effort import effort_words
from rig.config.setup.cautions import sheet_cautions
from rig.core.errors import Problem, RigError, StorageError
from rig.core.message_ids import Message
from webui import access
from webui.faults import PageFault
from webui.live import batch, stream
from webui.live.files import TEMPLATES, SheetKept, problems_of
from webui.live.sheet_form import Form, beside, form_of, text_of

blueprint = Blueprint("sheets", __name__)

LONGEST = 200


class Checked(NamedTuple):
    """The reader's result for a sheet: problems by field, and if there are none its effort."""

    problems: list[Problem]
    beside: dict[str, list[Problem]]
    effort: str = ""
    cautions: tuple[Message, ...] = ()


@blueprint.get("/bench/sheet/<name>")
def edit(name: str) -> str:
    """A sheet or a template as a form."""
    try:
        text = stream.hub().files.text_to_edit(name)
    except RigError as error:
        raise PageFault(404, "No such sheet", str(error), "Go back to the bench.") from error
    return _page(name, text)


@blueprint.post("/bench/sheet/<name>")
@access.writer_only
def send(name: str) -> str | tuple[str, int]:
    """Save the form; with `look` only check it, and show it again with the keys of its current
    kind."""
    return _page(name, *_sent()) if request.form.get("look") else _save(name)


@access.operator_only
def _save(name: str) -> str | tuple[str, int]:
    """Check an edited sheet and save it under its own name; an existing one is replaced only if the
    form confirms it for this very name."""
    form = request.form
    text, fields = _sent()
    kept = form.get("keep_as", "").strip()
    try:
        replace = form.get("replace") == kept
        stream.hub().files.save_sheet(form.get("setup", ""), kept, text, replace=replace)
    except SheetKept as error:
        return _page(name, text, fields, problems_of(error), replaces=error.name), 409
    except RigError as error:
        status = 500 if isinstance(error, StorageError) else 400
        return _page(name, text, fields, problems_of(error)), status
    return _page(name, text, fields, saved=kept)


@blueprint.post("/bench/sheet/<name>/check")
@access.writer_only
def check(name: str) -> str:  # noqa: ARG001 - of the address; a form is judged by itself
    """Problems of the form as it stands, and what the sheet would take; nothing is saved."""
    text, fields = _sent()
    kept = request.form.get("keep_as", "").strip()
    wrong = stream.hub().files.name_wrong(kept) if kept else []
    return render_template(
        "_sheet_checked.html", checked=_checked(text, fields, wrong), names=list(fields), apart=True
    )


def chosen_setup() -> str:
    """The setup to check with: the form's, else the one chosen on the bench, of its last run, or of
    the batch."""
    hub = stream.hub()
    setups = hub.files.setups
    try:
        kept = batch.load(batch.path_of(Path(current_app.config["RUN_LOG"])))
    except StorageError:  # the bench reports it
        kept = None
    asked = (request.args.get("setup"), hub.snapshot().get("setup"), kept.setup if kept else "")
    found = next((name for name in asked if name in setups), "")
    return request.form.get("setup") or found or next(iter(setups), "")


def _sent() -> tuple[str, dict[str, str]]:
    """The sheet's text, from the form's fields or as typed; and the fields by name."""
    form = request.form
    fields = {key[2:]: value[:LONGEST] for key, value in form.items() if key.startswith("f:")}
    return (form.get("text", "") if form.get("how") == "text" else text_of(fields)), fields


def _checked(text: str, fields: dict[str, str], wrong: list[Problem] | None = None) -> Checked:
    files = stream.hub().files
    try:
        loaded, sheet = files.check(chosen_setup(), "sheet", text)
    except RigError as error:
        problems = [*problems_of(error), *(wrong or [])]
        return Checked(problems, beside(problems, fields))
    return Checked(
        list(wrong or []), beside(wrong or [], fields), effort_words(loaded.setup, sheet.sheet),
        tuple(sheet_cautions(loaded.setup, sheet.sheet)),
    )  # fmt: skip


def _page(
    name: str, text: str, sent: dict[str, str] | None = None,
    problems: list[Problem] | None = None, **more: object,
) -> str:  # fmt: skip
    """The form of a text; if that is not TOML, of the sheet it came from."""
    files = stream.hub().files
    try:
        form: Form = form_of(text)
    except ValueError:
        form = form_of(files.text_to_edit(name))
    fields = {field.name: field.text for field in form.fields} | (sent or {})
    checked = _checked(text, fields)
    if problems is not None:
        checked = Checked(problems, beside(problems, fields))
    return render_template(
        "sheet.html", name=name, form=form, text=text, checked=checked,
        setups=list(files.setups), chosen=chosen_setup(),
        template=name in TEMPLATES and name not in files.sheets,
        **{"saved": None, "replaces": None, "refused": problems is not None, **more},
    )  # fmt: skip
