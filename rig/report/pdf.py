# SPDX-License-Identifier: MIT
"""A report as PDF, by WeasyPrint (the extra `pdf`) and the system's Pango.

`python -m rig.report.pdf` does it in a process of its own: drawing a sheet takes more memory than a
server of the log should keep.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from collections.abc import Iterable

from rig.core.errors import UsageError
from rig.debian import PDF_PACKAGES, apt_command

TIMEOUT_S = 60.0


def missing() -> str:
    """What keeps this machine from making PDFs, with its remedy; empty where nothing does."""
    if importlib.util.find_spec("weasyprint") is None:
        return (
            "PDF needs WeasyPrint, which is not installed. Type: "
            f"{sys.executable} -m pip install 'weasyprint>=70'  (or write .html and print that)"
        )
    try:
        importlib.import_module("weasyprint")
    except OSError as error:  # it loads Pango as it is imported
        return (
            f"PDF needs the system's Pango, which is not there ({error}). Type: "
            f"{apt_command(PDF_PACKAGES)}  (or write .html and print that)"
        )
    return ""


def to_pdf(documents: Iterable[str], sheets: int = 1) -> bytes:
    """The first of these HTML documents that stays on its sheets, else the last, as PDF.

    Raises UsageError where something is missing; fetches nothing.
    """
    lacking = missing()
    if lacking:
        raise UsageError(lacking)
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    # nothing from elsewhere: a photo stands inside the document
    inside = URLFetcher(allowed_protocols=("data",))

    drawn = None
    for html in documents:
        drawn = HTML(string=html, url_fetcher=inside).render()
        if len(drawn.pages) <= sheets:
            break
    if drawn is None:
        raise ValueError("no document was given")
    made: bytes = drawn.write_pdf()
    return made


def to_pdf_apart(documents: Iterable[str], sheets: int = 1) -> bytes:
    """The same in a process of its own. Raises UsageError with that process's words."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rig.report.pdf"], capture_output=True,
            input=json.dumps([sheets, *documents]).encode(),
            timeout=TIMEOUT_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise UsageError(
            f"Drawing the PDF took more than {TIMEOUT_S:.0f} s and was given up."
        ) from error
    if done.returncode:
        raise UsageError(done.stderr.decode(errors="replace").strip() or "No PDF could be made.")
    return done.stdout


def main() -> int:
    """A JSON list (number of sheets, then HTML documents) on standard input, PDF on standard
    output."""
    try:
        sheets, *documents = json.loads(sys.stdin.buffer.read())
        made = to_pdf(documents, sheets)
    except UsageError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.buffer.write(made)
    return 0


if __name__ == "__main__":
    sys.exit(main())
