# SPDX-License-Identifier: MIT
"""Captures that are taken into the log: shown first, kept when asked, refused with every reason."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from log_work_parts import CAPTURE, Written, send, shown
from page_client import token

from rig.runlog.store import RunLog

MANY, SOME = 10_000, 150


def test_reading_a_capture_ends_when_nobody_waits_for_it(client: FlaskClient) -> None:
    reader = client.application.extensions["captures"]
    asked = {"path": "/dev/zero", "setup": "", "setup_name": "x"}
    began_s = time.monotonic()
    reader.read({"path": "none", "setup": "", "setup_name": "x"})
    assert reader.read(asked, within_s=60, gone=lambda: True)["problems"]
    assert time.monotonic() - began_s < 30


def test_a_capture_is_shown_first_and_kept_when_asked(
    client: FlaskClient, written: Written
) -> None:
    written()
    status, page = send(client, CAPTURE.encode())
    assert status == 200 and "1 stroke;" in page and shown(client, "/runs") == [1]
    status, _ = send(client, CAPTURE.encode(), keep="yes", valve="V-CAP")
    assert status == 302 and shown(client, "/runs?source=capture") == [2]
    page = client.get("/runs/2").text
    assert "V-CAP" in page and "50" in page
    facts = client.get("/api/runs/2/strokes").json
    assert facts is not None and facts["response_ms"] == [pytest.approx(50, abs=0.01)]


def test_the_resolution_of_a_capture_may_be_stated(
    client: FlaskClient, written: Written, log_path: Path, tmp_path: Path
) -> None:
    from webui.work import importing

    written()
    status, page = send(client, CAPTURE.encode(), resolution="3 furlongs", keep="yes")
    assert status == 400 and "3 furlongs" in page and 'name="resolution"' in page
    with RunLog(log_path) as opened:
        header = opened.load(1).header
    path = tmp_path / "x.csv"
    path.write_text(CAPTURE)
    (run,) = importing.answer(
        {"path": str(path), "setup": header.setup_text, "setup_name": header.setup_name,
         "resolution": "4 ms"}
    )["runs"]  # fmt: skip
    assert "4000000 ns" in (tmp_path / run["records"]).read_text()


def test_a_long_capture_is_taken_whole(client: FlaskClient, written: Written) -> None:
    written()
    strokes = 2000
    rows = ["time_s,command,switch"]
    for n in range(strokes):
        rows += [f"{n},1,0", f"{n}.05,1,1", f"{n}.5,0,1", f"{n}.54,0,0"]
    data = "\n".join([*rows, f"{strokes},0,0", ""]).encode()
    assert len(data) > 64 * 1024
    status, page = send(client, data)
    assert status == 200 and f"{strokes} strokes" in page


def test_problems_of_a_capture_are_all_told_and_nothing_is_kept(
    client: FlaskClient, written: Written
) -> None:
    written()
    status, page = send(client, b"time_s,comand,switch\n0,0,2\nx,1,0\n", keep="yes")
    assert status == 400 and "comand" in page
    assert shown(client, "/runs") == [1]


def test_what_to_do_about_several_columns_is_said_once(
    client: FlaskClient, written: Written
) -> None:
    written()
    status, page = send(client, b"time_s,pressure,pressure_ka,command\n0,0,1,2\n")
    assert status == 400
    assert len(re.findall(r"<li[^>]*><code>([^<]+)</code>", page)) >= 2
    remedies = re.findall(r"<strong>([^<]+)</strong></li>", page)
    assert len(remedies) == len(set(remedies))


INSTRUMENT = "Elapsed\tDrive\tChan 2\tNote\n(ms)\t(V)\t(bool)\t\n" + "".join(
    f"{t}\t{12.1 if 200 <= t < 700 else 0.2}\t{'TRUE' if 250 <= t < 740 else 'FALSE'}\t1\n"
    for t in range(1000)
)


def test_columns_of_an_instrument_are_confirmed_before_they_count_and_sent_once(
    client: FlaskClient, written: Written
) -> None:
    written()
    status, page = send(client, INSTRUMENT.encode(), "a.txt", keep="yes")
    assert status == 200 and shown(client, "/runs") == [1], "nobody confirmed the guess"
    assert "Nobody confirmed" in page and "switch on after 50.0 ms" in page
    assert "Columns left out: Note" in page
    held = re.search(r'name="held" value="([^"]+)"', page)
    assert held is not None
    setup = re.findall(r"<option[^>]*>([^<]+)</option>", client.get("/log/import").text)[0]
    form = {"csrf": token(client), "held": held[1], "setup": setup}
    form |= {"column": ["Elapsed", "Drive", "Chan 2", "Note"], "role-0": "time_ms"}
    form |= {"role-1": "command", "below-1": "4", "above-1": "8", "role-2": "coil"}
    answer = client.post("/log/import", data=form)
    assert answer.status_code == 400 and "switch" in answer.text, "the switch has no column"
    answer = client.post("/log/import", data=form | {"role-2": "switch", "above-1": "x"})
    assert answer.status_code == 400 and shown(client, "/runs") == [1]
    form["role-2"] = "switch"
    answer = client.post("/log/import", data=form | {"not-2": "yes"})
    assert answer.status_code == 200 and "switch on after 50.0 ms" not in answer.text
    answer = client.post("/log/import", data=form | {"keep": "yes"})
    assert answer.status_code == 302 and shown(client, "/runs?source=capture") == [2]
    facts = client.get("/api/runs/2/strokes").json
    assert facts is not None and facts["response_ms"] == [pytest.approx(50, abs=0.01)]
    _, page = send(client, INSTRUMENT.encode(), "b.txt")
    assert "Nobody confirmed" not in page, "what was confirmed is kept"
    assert client.post("/log/import", data=form).status_code == 400, "a stored file is let go"


def test_malformed_captures_crash_nothing_and_lose_nothing(
    client: FlaskClient, written: Written, full_study: bool
) -> None:
    """Random bytes, cut and mutated captures; the same reading process serves them all."""
    written()
    dice = random.Random(5)
    with client.get("/runs/1/run.vcd") as exported:
        vcd = exported.data
    for number in range(MANY if full_study else SOME):
        source = bytearray(dice.choice([CAPTURE.encode(), vcd]))
        for _ in range(dice.randrange(1, 6)):
            at = dice.randrange(len(source))
            source[at : at + dice.randrange(4)] = dice.randbytes(dice.randrange(6))
        data = dice.randbytes(dice.randrange(300)) if number % 5 == 0 else bytes(source)
        status, _ = send(client, data, name=dice.choice(["a.csv", "a.vcd", "a.bin", "../../a"]))
        assert status in (200, 400), (status, data)
    assert shown(client, "/runs") == [1]
    assert client.application.extensions["captures"].begun == 1, "it was ended and begun anew"


def test_a_capture_that_eats_memory_is_refused_and_the_next_is_read(
    client: FlaskClient, written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    written()
    from webui.work import importing

    reader = client.application.extensions["captures"]
    answer = reader.read({"path": "/dev/zero", "setup": "", "setup_name": "x"}, within_s=2)
    assert answer["problems"]
    status, _ = send(client, CAPTURE.encode())
    assert status == 200
    assert importing.MEMORY_BYTES <= 2 << 30
