# SPDX-License-Identifier: MIT
"""What a test of the page does as a browser would."""

from __future__ import annotations

import re

from flask.testing import FlaskClient


def token(client: FlaskClient, address: str = "/help/") -> str:
    """The token that this browser's forms must carry."""
    found = re.search(r'name="csrf" content="([^"]+)"', client.get(address).text)
    assert found is not None
    return found[1]


def plain(html: str) -> str:
    """The words of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())
