# SPDX-License-Identifier: MIT
"""A report as PDF, by WeasyPrint (the extra `pdf`) and the system's Pango."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterable

from rig.core.errors import UsageError
from rig.debian import PDF_PACKAGES, apt_command


def missing() -> str:
    """What prevents PDFs on this machine, with its remedy; empty where nothing does."""
    if importlib.util.find_spec("weasyprint") is None:
        return (
            "PDF needs WeasyPrint, which is not installed. Type: "
            f"{sys.executable} -m pip install 'weasyprint>=70'  (or write .html and print that)"
        )
    try:
        importlib.import_module("weasyprint")
    except OSError as error:  # Pango is loaded on import
        return (
            f"PDF needs the system's Pango, which is not there ({error}). Type: "
            f"{apt_command(PDF_PACKAGES)}  (or write .html and print that)"
        )
    return ""


def to_pdf(documents: Iterable[str], sheets: int = 1) -> bytes:
    """The first of these HTML documents that fits its sheets, else the last, as PDF.

    Raises UsageError where something is missing; fetches nothing.
    """
    lacking = missing()
    if lacking:
        raise UsageError(lacking)
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    # nothing is fetched: photos are embedded in the document
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
