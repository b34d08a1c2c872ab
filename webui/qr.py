# SPDX-License-Identifier: MIT
"""QR codes on the page, drawn as SVG by rig.report.qr."""

from __future__ import annotations

from markupsafe import Markup

from rig.report import qr


def svg(text: str, name: str = "") -> Markup:
    """`text` as a QR code for a template; `name` is what a screen reader says."""
    return Markup(qr.svg(text, name))  # noqa: S704  (segno draws it: paths, and an escaped name)
