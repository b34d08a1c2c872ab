# SPDX-License-Identifier: MIT
"""The raw file's checksum against its published definition, read back without its code.

CRC-32 as in IEEE 802.3 and ITU-T V.42: polynomial 04C11DB7, reflected (EDB88320), initial value and
final exclusive-or FFFFFFFF. Its check value over "123456789" is CBF43926 (catalogue of parametrised
CRC algorithms, CRC-32/ISO-HDLC; recomputed with crcmod 1.7:
`crcmod.predefined.mkCrcFun("crc-32")(b"123456789")`).
"""

import json

from rig.core.clock import WallTime
from rig.core.records import GOOD, Sample, encode
from rig.recorder.raw_file import RawFile
from rig.runlog.header import RunHeader


def crc32(data: bytes, before: int = 0) -> int:
    register = before ^ 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xEDB88320 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def test_the_check_value():
    assert crc32(b"123456789") == 0xCBF43926


def test_each_line_carries_its_crc_begun_from_the_line_before(tmp_path):
    header = RunHeader(
        source="simulated", setup_text="", setup_hash="x", setup_name="x", software="x",
        wall=WallTime(0.0, 0, "boot", None),
    )  # fmt: skip
    raw = RawFile(tmp_path / "run.raw", header)
    raw.append([encode(Sample("pressure", 1.5 * i, i, GOOD)).encode() for i in range(5)])
    raw.append([encode(Sample("pressure", None, 5, "lost")).encode()])
    raw.close()
    crc = 0
    texts = []
    for line in (tmp_path / "run.raw").read_bytes().splitlines():
        digits, text = line.split(b" ", 1)
        crc = crc32(text, crc)
        assert digits == b"%08x" % crc
        texts.append(json.loads(text))
    assert texts[0]["raw_file"] == 1
    assert texts[0]["header"]["source"] == "simulated"
    assert [text[:4] for text in texts[1:3]] == [
        ["S", "pressure", 0.0, 0],
        ["S", "pressure", 1.5, 1],
    ]
    assert len(texts) == 7
