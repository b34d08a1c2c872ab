# SPDX-License-Identifier: MIT
"""Photos and documents on a run, a valve or a job, as a browser sends and sees them.

The marker bytes of JPEG, PNG and PDF, and the EXIF tags of place and maker, are those of ITU-T T.81
annex B, of the PNG specification (W3C), of ISO 32000-1 section 7.5.2 and of EXIF 2.3 (CIPA DC-008).
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from PIL import Image

from rig.actions import attach
from rig.core.errors import UsageError
from rig.runlog import attachments
from rig.runlog.store import RunLog

Writer = Callable[..., int]
PDF = b"%PDF-1.4\n1 0 obj<<>>endobj\ntrailer<<>>\n%%EOF\n"
MAKER, ORIENTATION, GPS = 0x010F, 0x0112, 0x8825


def jpeg(width: int = 640, height: int = 480, *, tell: bool = False) -> bytes:
    made, exif = Image.new("RGB", (width, height), "red"), Image.Exif()
    made.paste("blue", (0, 0, width // 2, height))  # left half
    if tell:
        exif[MAKER], exif[ORIENTATION] = "an invented camera", 6  # a quarter turn clockwise
        exif.get_ifd(GPS)[2] = (48.0, 0.0, 0.0)
    out = io.BytesIO()
    made.save(out, "JPEG", exif=exif, comment=b"written by nobody")
    return out.getvalue()


def send(client: FlaskClient, on: str, *files: tuple[bytes, str], field: str = "photo", **more):
    page = client.get("/runs/1").text
    token = re.search(r'name="csrf" content="([^"]+)"', page)
    assert token is not None
    data = {"csrf": token.group(1), field: [(io.BytesIO(b), name) for b, name in files], **more}
    return client.post(f"/files/{on}", data=data, content_type="multipart/form-data")


def token(client: FlaskClient) -> dict[str, str]:
    found = re.search(r'name="csrf" content="([^"]+)"', client.get("/runs/1").text)
    assert found is not None
    return {"csrf": found.group(1)}


def test_a_photo_is_encoded_anew_without_what_the_camera_wrote(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    written()
    sent = jpeg(4000, 1000, tell=True)
    assert b"an invented camera" in sent and b"written by nobody" in sent
    answer = send(client, "run/1", (sent, "DCIM/plug <1>.JPG"), words="The plug, green with rust")
    assert (answer.status_code, answer.location) == (303, "/runs/1#files-on")
    shown = client.get("/files/1")
    assert shown.mimetype == "image/jpeg"
    assert shown.headers["X-Content-Type-Options"] == "nosniff"
    assert "sandbox" in shown.headers["Content-Security-Policy"]
    kept = Image.open(io.BytesIO(shown.data))
    assert kept.size == (512, 2048)  # upright, and the longer side bounded
    assert kept.getpixel((256, 20))[2] > 200 > kept.getpixel((256, 2020))[2]  # left is up now
    assert not kept.getexif() and "comment" not in kept.info
    for told in (b"Exif", b"an invented camera", b"written by nobody"):
        assert told not in shown.data
    page = client.get("/runs/1").text
    assert 'alt="The plug, green with rust"' in page
    assert 'accept="image/*"' in page
    assert not list((log_path.parent / "files").glob("*.part"))


@pytest.mark.parametrize("on", ["valve/1", "job/1"])
def test_documents_are_downloads_of_a_fixed_type(
    client: FlaskClient, written: Writer, on: str
) -> None:
    written(valve="V", job="J")
    page = b"<!doctype html><script>alert(1)</script>"  # text like any other: never shown
    for data, name, kind in ((PDF, "a.pdf", "application/pdf"), (page, "b.html", "text/plain")):
        kept = "a.pdf" if name == "a.pdf" else "b.html.txt"
        assert send(client, on, (data, name), field="document").status_code == 303
        number = 1 if name == "a.pdf" else 2
        shown = client.get(f"/files/{number}")
        assert (shown.mimetype, shown.data) == (kind, data)
        assert shown.headers["Content-Disposition"] == f"attachment; filename={kept}"
        assert shown.headers["X-Content-Type-Options"] == "nosniff"
    where = "/valves/1" if on == "valve/1" else "/jobs/1"
    assert "a.pdf" in client.get(where).text


def png_of(width: int, height: int) -> bytes:
    """A PNG that says it is so large, in a few bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (jpeg()[:2000], "cannot be decoded"),
        (b"\x00\x00\x00\x20ftypheic" + b"\0" * 40, "Set the camera to JPEG"),
        (b"GIF89a" + b"\0" * 40, "neither a photo"),
        (b"PK\x03\x04" + b"\0" * 40, "neither a photo"),
        (b"%PDF-1.4 and no end\0", "neither a photo"),
        (b"\xff\xfe words", "neither a photo"),
        (png_of(6000, 6000), "million pixels"),
        (png_of(60_000, 60_000), "pixels"),
        (b"x" * 10_000_001, "10 MB at most"),
    ],
)
def test_what_is_not_kept_is_said(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "sent"
    path.write_bytes(data)
    with pytest.raises(UsageError, match=re.escape(words)) as refused:
        attach.checked(path, "C:\\pictures\\that one.jpg")
    assert str(refused.value).startswith("that one.jpg: ")


@pytest.mark.parametrize(
    ("sent", "data", "kept"),
    [
        ("x.exe", b"words", "x.exe.txt"), ("table.CSV", b"1,2", "table.CSV"),
        ("notes", b"words", "notes.txt"), ("page.html", b"<b>", "page.html.txt"),
        ("sheet.txt", b"%PDF-1.7\n%%EOF", "sheet.txt.pdf"), ("a.pdf", b"%PDF-1.7\n%%EOF", "a.pdf"),
        (f"{'n' * 200}.exe", b"words", f"{'n' * 112}.exe.txt"),
    ],
)  # fmt: skip
def test_a_documents_ending_says_what_is_in_it(
    tmp_path: Path, sent: str, data: bytes, kept: str
) -> None:
    path = tmp_path / "sent"
    path.write_bytes(data)
    name = attach.checked(path, sent).name
    assert name == kept and len(name) <= attachments.LONGEST_NAME


def test_of_several_what_can_be_kept_is_and_the_rest_is_named(
    client: FlaskClient, written: Writer
) -> None:
    written()
    answer = send(client, "run/1", (jpeg(), "good.jpg"), (b"\0", "bad.jpg"), (b"GIF89a\0", "worse"))
    assert answer.status_code == 422
    assert "1 of 3 added" in answer.text and "bad.jpg" in answer.text and "worse" in answer.text
    assert "good.jpg" in client.get("/runs/1").text
    again = send(client, "run/1", (jpeg(), "the same.jpg"))
    assert (again.status_code, "has this very file already: good.jpg" in again.text) == (422, True)


def test_bounds_in_number_total_and_disk(
    client: FlaskClient, written: Writer, log_path: Path, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    written()
    path = tmp_path / "sent"
    with RunLog(log_path) as log:

        def put(text: str) -> int:
            path.write_text(text)
            return attach.attach(log, "run", 1, path, f"{text}.txt")

        monkeypatch.setattr(attachments, "MOST_EACH", 2)
        monkeypatch.setattr(attachments, "MOST_BYTES", 40)
        put("one")
        with pytest.raises(UsageError, match="All files together would be"):
            put("x" * 39)
        put("two")
        with pytest.raises(UsageError, match="has 2 files, the most"):
            put("three")
        monkeypatch.setattr(attachments, "MOST_EACH", 9)
        monkeypatch.setattr(attach, "free_mb", lambda _: 299.0)
        with pytest.raises(UsageError, match="300 MB stay free for runs"):
            put("four")
        monkeypatch.setattr(attach, "free_mb", lambda _: float("nan"))
        with pytest.raises(UsageError, match="stay free"):
            put("five")
        with pytest.raises(UsageError, match="There is no valve 7"):
            attach.add(log, "valve", 7, attachments.Content(b"x", "text/plain", "x.txt"))
    assert len(list((log_path.parent / "files").iterdir())) == 2  # nothing of what was refused


def test_removed_for_good_once_nothing_else_has_it(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    written(valve="V")
    for on in ("run/1", "valve/1"):
        assert send(client, on, (PDF, "a.pdf"), field="document").status_code == 303
    (kept,) = (log_path.parent / "files").iterdir()
    assert client.post("/files/1/remove", data=token(client)).status_code == 303
    assert client.get("/files/1").status_code == 404
    assert kept.exists() and client.get("/files/2").status_code == 200
    assert client.post("/files/2/remove", data=token(client)).status_code == 303
    assert not kept.exists()
    assert send(client, "run/1", (PDF, "a.pdf"), field="document").status_code == 303
    assert client.get("/files/3").status_code == 200  # a number is never given twice


def test_changed_or_lost_on_the_disk_is_said(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    written()
    send(client, "run/1", (jpeg(), "a.jpg"))
    (kept,) = (log_path.parent / "files").iterdir()
    kept.write_bytes(b"<script>alert(1)</script>")
    assert "has changed on the disk" in client.get("/files/1").text
    kept.unlink()
    assert "rig recover" in client.get("/files/1").text
    assert client.get("/runs/1").status_code == 200


def test_who_only_looks_adds_and_removes_nothing(written: Writer, log_path: Path) -> None:
    from webui.access import NO_PASSCODE
    from webui.app import create_app

    written()
    looking = create_app({"RUN_LOG": log_path, "PASSCODE_HASH": NO_PASSCODE}).test_client()
    assert send(looking, "run/1", (jpeg(), "a.jpg")).status_code == 403
    assert looking.post("/files/1/remove", data=token(looking)).status_code == 403
    assert "Add photos" not in looking.get("/runs/1").text


def test_chosen_photos_are_printed_with_the_report(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    from rig.report import page
    from rig.report.input import reported

    written()
    for n in range(5):
        send(client, "run/1", (jpeg(100 + n), f"{n}.jpg"), words=f"shown {n}")
        answer = client.post(f"/files/{n + 1}/report", data={**token(client), "print": "yes"})
        assert answer.status_code == (303 if n < 4 else 422)
    html = client.get("/runs/1/report").text
    assert [f'src="/files/{n + 1}"' in html for n in range(5)] == [True] * 4 + [False]
    assert "shown 3" in html and "shown 4" not in html
    client.post("/files/2/report", data=token(client))
    assert 'src="/files/2"' not in client.get("/runs/1/report").text
    with RunLog(log_path, readonly=True) as log:
        made = reported(log, 1)
    assert page.render(made).count("data:image/jpeg;base64,") == 3
