# SPDX-License-Identifier: MIT
"""Text from a terminal that is not set to UTF-8."""

from __future__ import annotations

from pathlib import Path

import pytest
from live_runs import rig, write_files


@pytest.mark.parametrize("more", [(), ("--fast",)])
def test_a_note_that_is_no_utf8_is_refused_before_anything_is_energised(
    tmp_path: Path, more: tuple[str, ...]
) -> None:
    note = b"gepr\xfcft".decode("utf-8", "surrogateescape")
    refused = rig("run", *write_files(tmp_path), "--note", note, *more)
    assert refused.returncode == 2 and "--note" in refused.stderr
    assert "Error:" not in refused.stderr and "nternal fault" not in refused.stderr
