# SPDX-License-Identifier: MIT
"""The setups and sheets the page may use: those given at the start, and sheets edited on the page.

A name from a browser is only ever looked up here; it is never a path.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterable
from pathlib import Path

from rig.config.files.loading import LoadedSetup, LoadedSheet, load_pair, pair_from_texts
from rig.config.setup.model import Setup
from rig.config.sheet import model as sheet_model
from rig.core.atomic_file import whole_file
from rig.core.errors import FileProblems, Problem, RefusedError, RigError, StorageError, UsageError

SHEET_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,60}")
KEEP_AS = "Keep as"
"""The form's own word for the sheet's name."""
SETUP_END, SHEET_END = ".setup.toml", ".sheet.toml"
TEMPLATES = {
    path.name.removesuffix(SHEET_END): path
    for path in sorted((Path(sheet_model.__file__).parent / "templates").glob(f"*{SHEET_END}"))
}
"""Templates for a new sheet, by name."""


class SheetKept(RefusedError):
    """A sheet of this name already exists; a person must confirm replacing it."""

    id = "refusal.sheet-exists"

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(
            f'There is a sheet "{name}" already. Nothing was kept: tick that it is to be replaced, '
            "or give yours another name."
        )


class Files:
    """`setups` and `sheets` by name. `own` is the folder for sheets edited on the page."""

    def __init__(self, setups: Iterable[Path], sheets: Iterable[Path], own: Path) -> None:
        self.setups = _named(setups, SETUP_END)
        self._given = _named(sheets, SHEET_END)
        self._own = own
        self._keeping = threading.Lock()

    @property
    def sheets(self) -> dict[str, Path]:
        own = _named([self._own], SHEET_END) if self._own.is_dir() else {}
        return {**self._given, **own}

    def sheet_path(self, name: str) -> Path:
        """Raises UsageError for a name that was never offered."""
        try:
            return self.sheets[name]
        except KeyError:
            raise UsageError(
                f'There is no sheet "{name:.60}" here. Choose one of the list.'
            ) from None

    def text_to_edit(self, name: str) -> str:
        """The text of a sheet or, if none has this name, of a template. Raises UsageError."""
        if name not in self.sheets and name in TEMPLATES:
            return TEMPLATES[name].read_text(encoding="utf-8")
        return self.sheet_path(name).read_text(encoding="utf-8")

    def pair(self, setup: str, sheet: str) -> tuple[LoadedSetup, LoadedSheet]:
        """Load both and check them together. Raises UsageError and FileProblems."""
        if setup not in self.setups:
            raise UsageError(f'There is no setup "{setup:.60}" here. Choose one of the list.')
        loaded, loaded_sheet = load_pair(self.setups[setup], self.sheet_path(sheet))
        if loaded_sheet is None:
            raise UsageError("A run needs a sheet.")
        return loaded, loaded_sheet

    def read_setups(self) -> dict[str, Setup | None]:
        """Each setup as its file is now; None if the file cannot be used."""
        found: dict[str, Setup | None] = {}
        for name, path in self.setups.items():
            try:
                found[name] = load_pair(path, None)[0].setup
            except (RigError, OSError):
                found[name] = None
        return found

    def check(self, setup: str, name: str, text: str) -> tuple[LoadedSetup, LoadedSheet]:
        """Check a sheet's text together with a setup. Raises UsageError, and FileProblems with
        every problem, as for a file."""
        if setup not in self.setups:
            raise UsageError(f'There is no setup "{setup:.60}" here. Choose one of the list.')
        path = self.setups[setup]
        return pair_from_texts(path.read_text(), path.name, text, f"{name}{SHEET_END}")

    def save_sheet(self, setup: str, name: str, text: str, *, replace: bool = False) -> Path:
        """Check a sheet's text together with a setup, and save it. Raises UsageError and
        FileProblems with every problem, as for a file; SheetKept if one of this name already exists
        and `replace` does not allow replacing it, StorageError if the disk refuses."""
        problems = self.name_wrong(name)
        try:
            self.check(setup, name, text)
        except FileProblems as error:
            problems += error.problems
        if problems:
            raise FileProblems(problems)
        self._own.mkdir(parents=True, exist_ok=True)
        kept = self._own / f"{name}{SHEET_END}"
        with self._keeping:
            if kept.exists() and not replace:
                raise SheetKept(name)
            try:
                with whole_file(kept, lasting=True) as file:
                    file.write(text)
            except OSError as error:
                raise StorageError(
                    f"{kept} could not be written ({error}); what was there is as it was. "
                    "Look whether the disk is full or may not be written."
                ) from error
        return kept

    def name_wrong(self, name: str) -> list[Problem]:
        """What is wrong with the name for saving a sheet."""
        if name in self._given:
            what = "This is a sheet of this rig's own."
            return [Problem("", KEEP_AS, name, what, "Give yours another name.")]
        if SHEET_NAME.fullmatch(name):
            return []
        what = "This cannot be a sheet's name." if name else "The sheet has no name yet."
        remedy = "Write letters, digits, spaces, - and _, at most 61 of them."
        return [Problem("", KEEP_AS, name[:80], what, remedy)]


def _named(paths: Iterable[Path], ending: str) -> dict[str, Path]:
    """Files by name without suffix; a folder stands for the files in it."""
    found: dict[str, Path] = {}
    for path in paths:
        for file in sorted(path.glob(f"*{ending}")) if path.is_dir() else [path]:
            name = file.name.removesuffix(ending)
            while name in found:
                name += "_"
            found[name] = file.resolve()
    return found


def problems_of(error: Exception) -> list[Problem]:
    """The problems one by one, for a page to show beside the keys."""
    if isinstance(error, FileProblems):
        return list(error.problems)
    return [Problem("", "", "", str(error), "", error.id if isinstance(error, RigError) else "")]
