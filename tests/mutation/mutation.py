# SPDX-License-Identifier: MIT
"""Whether the tests would notice: `python3 tests/run.py mutation [GROUP ...]`.

mutmut changes one thing at a time in the modules of a group (groups.toml) and runs those of the
group's tests that call the changed function. It works on a copy of the checkout. Not counted are
changes to the wording of a sentence (a text with a space in it: tests hold facts, not sentences)
and those listed in equivalent.toml. Prints a table, and every change that no test noticed; exit
code 1 where a group is below its score. tests/studies/README.md has the table.
"""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
LEAST = {"safety": 95.0, "numbers": 90.0}
CAUGHT = {1, 3, 24, 36, 37, 152, 255, -24, -11, -9}
"""Exit codes by which mutmut marks a mutant that a test, the clock or a crash gave away."""
NOT_TRIED = (None, 2)
AROUND = 24
"""Characters shown on either side of a change."""
CONFIG = """
[tool.mutmut]
source_paths = ["rig", "webui"]
only_mutate = {modules}
pytest_add_cli_args_test_selection = {tests}
pytest_add_cli_args = ["-n0", "-p", "no:cacheprovider", "-m", "not kernel"]
also_copy = ["demo", "hardware", "README.md", "DEVELOPERS.md", "LICENSE"]
track_dependencies = false
"""


class Group(NamedTuple):
    """A name, its kind (a key of LEAST), the modules to change and the tests to run; `alone`:
    judged by the clock, so one at a time."""

    name: str
    kind: str
    modules: list[str]
    tests: list[str]
    alone: bool = False


class Mutant(NamedTuple):
    """One change: module, function, altered line (old -> new); what became of it."""

    module: str
    function: str
    change: str
    outcome: str


def groups() -> list[Group]:
    """Every group of groups.toml."""
    tables = tomllib.loads((HERE / "groups.toml").read_text())
    return [Group(name, **table) for name, table in tables.items()]


def equivalents() -> list[dict[str, str]]:
    """Every entry of equivalent.toml: module, function, change, reason."""
    found = tomllib.loads((HERE / "equivalent.toml").read_text()).get("equivalent", [])
    return list(found)


def copy_checkout(to: Path) -> None:
    """Every file that git tracks or would."""
    words = ["git", "-C", str(ROOT), "ls-files", "-z", "-co", "--exclude-standard"]
    for name in subprocess.run(words, check=True, capture_output=True).stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)


def run(group: Group, python: Path) -> list[Mutant]:
    """Make and try every mutant of a group. Raises RuntimeError where mutmut could not."""
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy = Path(folder)
        copy_checkout(copy)
        with (copy / "pyproject.toml").open("a") as file:
            file.write(
                CONFIG.format(modules=json.dumps(group.modules), tests=json.dumps(group.tests))
            )
        # processes that the tests start must find the changed modules too; a folder that is not
        # there when Python starts stays unseen
        (copy / "mutants").mkdir()
        env = {**os.environ, "PYTHONPATH": str(copy / "mutants"), "CI": ""}
        at_once = 1 if group.alone else os.cpu_count() or 1
        words = [str(python.with_name("mutmut")), "run", "--max-children", str(at_once)]
        done = subprocess.run(words, cwd=copy, env=env, capture_output=True, text=True)
        found = [mutant for meta in sorted(copy.glob("mutants/**/*.py.meta"))
                 for mutant in read(copy, meta)]  # fmt: skip
        if not found or any(mutant.outcome == "not tried" for mutant in found):
            raise RuntimeError(f"{group.name}: mutmut did not end\n{done.stdout[-3000:]}")
        return found


def read(copy: Path, meta: Path) -> Iterator[Mutant]:
    """The mutants of one module and their outcomes, from what mutmut left."""
    codes = json.loads(meta.read_text())["exit_code_by_key"]
    source = meta.with_suffix("")
    module = str(source.relative_to(copy / "mutants"))
    functions = {
        node.name: node
        for node in ast.walk(ast.parse(source.read_text()))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    listed = [one for one in equivalents() if one["module"] == module]
    for key, code in codes.items():
        name = key.rpartition(".")[2]
        function, _, _ = name.rpartition("__mutmut_")
        old, new = functions[f"{function}__mutmut_orig"], functions[name]
        change = altered(old, new)
        plain = function.removeprefix("x_").replace("xǁ", "").replace("ǁ", ".")
        if worded(old) == worded(new):
            outcome = "words"
        elif any(one["function"] == plain and one["change"] == change for one in listed):
            outcome = "equivalent"
        elif code in NOT_TRIED:
            outcome = "not tried"
        else:
            outcome = "caught" if code in CAUGHT else "not noticed"
        yield Mutant(module, plain, change, outcome)


class _Words(ast.NodeTransformer):
    """Every text with a space in it becomes the same; so does the text between an f-string's
    values, where the whole has a space."""

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if isinstance(node.value, str) and " " in node.value.strip():
            return ast.Constant("words")
        return node

    def visit_JoinedStr(self, node: ast.JoinedStr) -> ast.AST:
        texts = [part.value for part in node.values if isinstance(part, ast.Constant)]
        values = [self.visit(part) for part in node.values if not isinstance(part, ast.Constant)]
        if any(" " in str(text) for text in texts):
            return ast.JoinedStr([ast.Constant("words"), *values])
        return node


def worded(function: ast.AST) -> str:
    """The function's body without the wording of its sentences, and without its name."""
    body = ast.Module(getattr(function, "body"), [])  # noqa: B009 - two kinds of functions
    return ast.dump(_Words().visit(ast.parse(ast.unparse(body))))


def altered(old: ast.AST, new: ast.AST) -> str:
    """What differs, as `old -> new`, with a little of the line around it."""
    before, after = (" ".join(ast.unparse(node).splitlines()[1:]) for node in (old, new))
    before, after = " ".join(before.split()), " ".join(after.split())
    head = alike(before, after)
    tail = alike(before[head:][::-1], after[head:][::-1])
    start = max(head - AROUND, 0)
    gone, come = (text[start : len(text) - max(tail - AROUND, 0)] for text in (before, after))
    return f"{gone} -> {come}"


def alike(one: str, other: str) -> int:
    """How many characters both begin with."""
    pairs = enumerate(zip(one, other, strict=False))
    return next((n for n, (a, b) in pairs if a != b), min(len(one), len(other)))


def score(mutants: Sequence[Mutant]) -> float:
    """Share of the counted mutants that were caught, percent; NaN without any."""
    counted = [one for one in mutants if one.outcome in ("caught", "not noticed")]
    caught = sum(one.outcome == "caught" for one in counted)
    return 100 * caught / len(counted) if counted else float("nan")


def table(found: Sequence[tuple[Group, list[Mutant]]]) -> str:
    """A line for each module, as it is published."""
    lines = [
        "| module | kind | changes | wording | equivalent | caught | not noticed | score |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for group, mutants in found:
        for module in dict.fromkeys(one.module for one in mutants):
            own = [one for one in mutants if one.module == module]
            numbers = [
                sum(one.outcome == outcome for one in own)
                for outcome in ("words", "equivalent", "caught", "not noticed")
            ]
            shown = " | ".join(str(number) for number in (len(own), *numbers))
            share = score(own)
            said = "-" if share != share else f"{share:.1f} %"
            lines.append(f"| `{module}` | {group.kind} | {shown} | {said} |")
    return "\n".join(lines)


def main(words: Sequence[str], python: Path) -> int:
    """Try the groups named, or all."""
    known = groups()
    wrong = set(words) - {group.name for group in known}
    if wrong:
        names = ", ".join(group.name for group in known)
        print(f"There is no group {', '.join(sorted(wrong))}. Groups: {names}.")
        return 2
    found: list[tuple[Group, list[Mutant]]] = []
    for group in known:
        if words and group.name not in words:
            continue
        began = time.monotonic()
        mutants = run(group, python)
        found.append((group, mutants))
        print(f"{group.name}: {score(mutants):.1f} %, {time.monotonic() - began:.0f} s")
        for one in mutants:
            if one.outcome == "not noticed":
                print(f"  {one.module} {one.function}: {one.change}", flush=True)
    print(table(found))
    low = [group for group, mutants in found if not score(mutants) >= LEAST[group.kind]]
    for group in low:
        print(f"{group.name} is below {LEAST[group.kind]:.0f} %")
    return 1 if low else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:], Path(sys.executable)))
