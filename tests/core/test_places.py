# SPDX-License-Identifier: MIT
"""Folders that cannot be made say why, and what to do."""

from __future__ import annotations

import pytest

from rig.core.errors import StorageError
from rig.core.places import raw_dir


@pytest.mark.parametrize("in_the_way", ["raw", "."])
def test_a_file_in_place_of_a_folder_is_named(tmp_path, monkeypatch, in_the_way):
    data = tmp_path / "data"
    file = data / in_the_way
    file.parent.mkdir(exist_ok=True)
    file.write_text("")
    monkeypatch.setenv("RIG_DATA", str(data))
    with pytest.raises(StorageError, match=f"^{file} is a file") as told:
        raw_dir()
    assert "Move it away" in str(told.value)


def test_a_link_to_nothing_in_place_of_a_folder_is_named(tmp_path, monkeypatch):
    (tmp_path / "raw").symlink_to(tmp_path / "gone")
    monkeypatch.setenv("RIG_DATA", str(tmp_path))
    with pytest.raises(StorageError, match="raw is a file or a link"):
        raw_dir()
