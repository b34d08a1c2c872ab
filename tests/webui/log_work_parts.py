# SPDX-License-Identifier: MIT
"""Captures to send, and what the list then shows."""

from __future__ import annotations

import io
import re
from collections.abc import Callable

from flask.testing import FlaskClient
from page_client import token

Written = Callable[..., int]


CAPTURE = "time_s,command,switch\n0,0,0\n1,1,0\n1.05,1,1\n2,0,1\n2.04,0,0\n3,0,0\n"


def shown(client: FlaskClient, address: str) -> list[int]:
    """The runs of a page of the list."""
    return [
        int(n) for n in re.findall(r'aria-label="Choose run ([0-9]+)"', client.get(address).text)
    ]


def send(client: FlaskClient, data: bytes, name: str = "x.csv", **form: str) -> tuple[int, str]:
    setups = re.findall(r"<option[^>]*>([^<]+)</option>", client.get("/log/import").text)
    answer = client.post(
        "/log/import",
        data={"csrf": token(client), "capture": (io.BytesIO(data), name),
              "setup": setups[0], **form},
    )  # fmt: skip
    return answer.status_code, answer.text
