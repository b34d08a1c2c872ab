# SPDX-License-Identifier: MIT
"""Check a photo or document by its content, and store it.

A photo is decoded and re-encoded: this removes what a camera wrote beside the picture (place, time,
maker) and anything hidden behind it. A document is stored as it is and is one of DOCUMENTS.
"""

from __future__ import annotations

import io
import unicodedata
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from rig.core.errors import UsageError
from rig.recorder.disk import ROOM_REMEDY, free_mb
from rig.runlog.attachments import LONGEST_NAME, PHOTO, Content, add

if TYPE_CHECKING:
    from rig.runlog.store import RunLog

PHOTO_BYTES, DOCUMENT_BYTES = 20_000_000, 10_000_000
"""Size limits of a photo and a document as sent."""
PHOTO_SIDE_PX = 2048
"""Longer side as stored: readable on a projector, and some 400 kB."""
QUALITY = 85
MOST_PIXELS = {"JPEG": 80_000_000, "PNG": 24_000_000, "WEBP": 24_000_000}
"""Decoding limits: a JPEG is decoded at a fraction of its size, the others whole."""
FLOOR_MB = 300.0
"""Disk space that stays free for runs: three times what a run needs to begin."""
DOCUMENTS = "PDF, or plain text (also CSV) in UTF-8"
TEXT_ENDINGS = (".txt", ".csv", ".tsv", ".md", ".log", ".toml", ".json")
_OTHER_PHOTOS = {b"heic": "HEIC", b"heix": "HEIC", b"mif1": "HEIC", b"avif": "AVIF"}


def attach(
    log: RunLog, of: str, number: int, path: Path, name: str, *, by: str = "", words: str = ""
) -> int:
    """Check the file at `path`, sent as `name`, and attach it to a run, valve or job; returns its
    number.

    Raises UsageError that says what is wrong with it.
    """
    found = checked(path, name)
    free = free_mb([log.path.parent])
    if not free - len(found.data) / 1e6 >= FLOOR_MB:
        raise UsageError(
            f"Only {free:.0f} MB are free; {FLOOR_MB:.0f} MB stay free for runs. {ROOM_REMEDY}"
        )
    try:
        return add(log, of, number, found, by=by, words=words)
    except OSError as error:
        raise UsageError(f"The disk did not take it ({error.strerror}). {ROOM_REMEDY}") from error


def checked(path: Path, name: str) -> Content:
    """The content to store from the file at `path`. Raises UsageError for an unsupported type."""
    shown = _plain(name)
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(16)
    photo = head.startswith((b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")) or (
        head[:4] == b"RIFF" and head[8:12] == b"WEBP"
    )
    most = PHOTO_BYTES if photo else DOCUMENT_BYTES
    if not 0 < size <= most:
        what = "is empty" if not size else f"has {size / 1e6:.1f} MB, {most / 1e6:.0f} MB at most"
        raise UsageError(f"{shown}: it {what}.")
    if photo:
        return _photo(path, shown)
    if head[4:8] == b"ftyp" and head[8:12] in _OTHER_PHOTOS:
        raise UsageError(
            f"{shown}: a picture of the kind {_OTHER_PHOTOS[head[8:12]]}, which is not read here. "
            "Set the camera to JPEG (often called most compatible), or send a screenshot of it."
        )
    data = path.read_bytes()
    if head.startswith(b"%PDF-") and b"%%EOF" in data[-2048:]:
        return Content(data, "application/pdf", _ending(shown, ".pdf"))
    if _is_text(data):
        return Content(data, "text/plain", _ending(shown, *TEXT_ENDINGS))
    raise UsageError(
        f"{shown}: neither a photo (JPEG, PNG, WebP) nor a document that is kept ({DOCUMENTS}) by "
        "what is in it. Print it to PDF, or photograph it."
    )


def _photo(path: Path, name: str) -> Content:
    from PIL import Image, ImageFile, ImageOps

    ImageFile.LOAD_TRUNCATED_IMAGES = False  # the printing library sets it for its own pictures

    unreadable = UsageError(
        f"{name}: this picture cannot be decoded; it may be cut off. Send it anew."
    )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(path, formats=tuple(MOST_PIXELS))
        with picture:
            pixels = picture.width * picture.height
            most = MOST_PIXELS[str(picture.format)]
            if pixels > most:
                raise UsageError(
                    f"{name}: {pixels / 1e6:.0f} million pixels, {most / 1e6:.0f} million at most. "
                    "Set the camera to a smaller picture."
                )
            picture.draft("RGB", (PHOTO_SIDE_PX, PHOTO_SIDE_PX))  # a JPEG: decode at reduced size
            upright = ImageOps.exif_transpose(picture)
            if "A" in upright.getbands() or "transparency" in upright.info:
                seen = upright.convert("RGBA")
                ground = Image.new("RGB", seen.size, "white")
                ground.paste(seen, mask=seen.getchannel("A"))
                upright = ground
            kept = upright.convert("RGB")
            kept.thumbnail((PHOTO_SIDE_PX, PHOTO_SIDE_PX))
            clean = Image.new("RGB", kept.size)  # without the old file's metadata
            clean.paste(kept)
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise UsageError(
            f"{name}: too many pixels. Set the camera to a smaller picture."
        ) from error
    except (OSError, SyntaxError, ValueError, ZeroDivisionError) as error:  # what decoders raise
        if isinstance(error, UsageError):
            raise
        raise unreadable from error
    out = io.BytesIO()
    clean.save(out, "JPEG", quality=QUALITY, optimize=True)
    stem = Path(name).stem or "photo"
    return Content(out.getvalue(), PHOTO, f"{stem}.jpg", *clean.size)


def _is_text(data: bytes) -> bool:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return all(char in "\t\n\r\f" or unicodedata.category(char) != "Cc" for char in text)


def _ending(name: str, *endings: str) -> str:
    """The name with an ending that matches the content; the first one if it has another."""
    return name if name.lower().endswith(endings) else f"{name}{endings[0]}"


def _plain(name: str) -> str:
    """The last part of a file's name as sent, printable and short."""
    last = name.replace("\\", "/").rpartition("/")[2]
    printable = "".join(char for char in last if char.isprintable() and char not in '<>:"|?*')
    return printable.strip(" .")[-LONGEST_NAME + 4 :] or "file"
