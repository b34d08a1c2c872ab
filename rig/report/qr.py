# SPDX-License-Identifier: MIT
"""QR codes (ISO/IEC 18004) as SVG, by segno: no file, no network, only lines."""

from __future__ import annotations


def svg(text: str, name: str = "") -> str:
    """`text` as an SVG element for HTML, as wide as its container.

    `name` is the text for a screen reader; without one the code is skipped, for use where the text
    is beside it. Error correction is "M" (15 % may be damaged) or better where it costs no size;
    the quiet zone of four modules that the standard asks for is included, on white.
    """
    import segno

    drawn: str = segno.make(text, error="m", micro=False).svg_inline(
        border=4, dark="#000", light="#fff", omitsize=True, svgclass="qr", lineclass=None
    )
    said = f'role="img" aria-label="{_escaped(name)}"' if name else 'aria-hidden="true"'
    return drawn.replace("<svg ", f"<svg {said} ", 1)


def run_text(uid: str) -> str:
    """Content of a run's code: its identifier as a URN (RFC 9562), valid on any machine and without
    a network; commands accept it as the run's number (rig.actions.analyse_run.run_number)."""
    return f"urn:uuid:{uid[:8]}-{uid[8:12]}-{uid[12:16]}-{uid[16:20]}-{uid[20:]}"


def _escaped(text: str) -> str:
    from html import escape

    return escape(text, quote=True)
