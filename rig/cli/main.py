# SPDX-License-Identifier: MIT
"""The `rig` command. Only click is loaded here; each command loads what it needs when it runs."""

from __future__ import annotations

import contextlib
import contextvars
import gc
import importlib
import mmap
import os
import resource
import signal
import sys

import click

from rig import __version__
from rig.cli.output import close_outputs, open_outputs, units_option
from rig.core.ending import ENDING, judged
from rig.core.errors import EXIT_INTERNAL, EXIT_TRIPPED, EXIT_USAGE, RefusedError, RigError

# name -> (module in rig.cli, one line of help)
COMMANDS = {
    "check": ("check", "Look over a setup, and a sheet, without energising anything."),
    "wiring": ("wiring", "Draw how the rig of a setup is wired, and list its parts."),
    "gauge": ("calibration.gauge", "Show what the gauge reads, or find out how one speaks."),
    "calibrate": ("calibration.calibrate", "Compare the pressure gauge with a reference gauge."),
    "commission": ("commission", "Prove that a rig is wired as its setup says."),
    "run": ("run", "Do a sheet on a rig and log the run."),
    "runs": ("runs", "List the runs in the log, newest first."),
    "show": ("show", "Show one run: its figures, strokes and marks."),
    "export": ("export", "Write one run to a CSV, JSON or VCD file."),
    "analyse": ("analyse", "Analyse a capture made elsewhere."),
    "compare": ("compare", "Compare runs: before and after, or a batch of valves."),
    "diagnose": ("diagnose", "Find the cause: oil, electrics, valve, switch or locks."),
    "job": ("job", "Note checks done on a job, and see what they tell."),
    "report": ("report", "Write one run as a one-page test report."),
    "study": ("study", "Study the rig itself: mounted again by several people."),
    "agree": ("agree", "Say whether two rigs read the same, by the same valves."),
    "calc": ("calc", "Electrical and fluid calculators."),
    "doctor": ("doctor", "Say what of an installation is in place."),
    "safe": ("safe", "Command the coil off, from any state."),
    "clear": ("clear", "Clear a trip, once its cause is gone."),
    "backup": ("backup", "Copy the run log, also while a run goes on."),
    "recover": ("recover", "Put runs back into the log from their raw files."),
    "serve": ("serve", "Serve the run log as a page."),
}

COIL_OFF = ("safe", "clear")
"""Commands that are tried whatever the limits of this process; they load no numeric library."""
OPEN_FILES = 64
MB = 1 << 20
MAP_NORESERVE = 0x4000
"""Of Linux (asm-generic/mman-common.h): Python names it from 3.13 on."""


class Commands(click.Group):
    """Commands by name; a command's module is imported only when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        if cmd_name not in COIL_OFF:
            require_descriptors()
            require_address_space(numbers_need(os.cpu_count() or 1))
        module = importlib.import_module(f"rig.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        import difflib

        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=2, cutoff=0.5)
            meant = (
                f" Did you mean {' or '.join(f'`rig {name}`' for name in near)}?" if near else ""
            )
            ctx.fail(f"No such command {args[0]!r}.{meant}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def require_descriptors() -> None:
    """Raise RefusedError under a limit of open files that a run could reach midway."""
    limit, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= limit < OPEN_FILES:
        raise RefusedError(
            f"This program may open only {limit} files at once, and needs up to {OPEN_FILES}; "
            "nothing was energised. Raise the limit (`ulimit -n`, or LimitNOFILE of a service).",
            id_="refusal.too-few-files",
        )


def numbers_need(cores: int) -> int:
    """Address space for the numeric libraries, bytes. Each has buffers and a stack for every core.

    A run on two cores took 355 MB; on more, two libraries each add a buffer of 32 MB and a stack.
    """
    return (384 + 96 * cores) * MB


def require_address_space(needed: int) -> None:
    """Raise RefusedError unless `needed` bytes can be had under this process's limits.

    A numeric library that gets too little ends the process with exit code 1, which is a verdict, or
    tries again for ever and takes no signal meanwhile. Nothing of it is used: the memory itself may
    be less.
    """
    flags = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS | MAP_NORESERVE
    try:
        mmap.mmap(-1, needed, flags=flags).close()
    except (OSError, MemoryError):
        raise RefusedError(
            f"This program may not use the {needed // MB} MB of address space that it needs; "
            "nothing was energised. Raise the limit (`ulimit -v` and `ulimit -d`, or LimitAS and "
            "LimitDATA of a service), or start it without one.",
            id_="refusal.too-little-memory",
        ) from None


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="rig")
@units_option
def cli() -> None:
    """Drive a solenoid the same way each time and time the pressure switch that answers.

    Not a safety function: fuse, mushroom stop and relief valve are wired in hardware.
    """


def main() -> None:
    """Entry point: a user's mistake is answered with a message and an exit code, not a
    traceback."""
    # child processes must not import modules from the current folder
    os.environ["PYTHONSAFEPATH"] = "1"
    # Python's own 700 makes it look for cycles again and again while libraries load: 4 % of a run
    gc.set_threshold(50_000, 20, 20)
    open_outputs()
    code = answer(sys.argv[1:])
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Python's own end takes time: the code stays
    close_outputs()
    sys.exit(ENDING.code(code))


def answer(words: list[str]) -> int:
    """Run one command line, with its own choice of units; returns its exit code."""
    return contextvars.copy_context().run(_answer, words)


def _answer(words: list[str]) -> int:
    """The same in the current context.

    click's own `main` is not used: it answers a closed output with exit code 1, which here is a
    verdict.
    """
    try:
        with cli.make_context("rig", words) as context:
            cli.invoke(context)
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else 0
        return code if ENDING.lost else judged(code)
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        judged(EXIT_USAGE)
        with contextlib.suppress(OSError):
            error.show()
        return EXIT_USAGE
    except RigError as error:
        judged(error.exit_code)
        _say(str(error))
        return error.exit_code
    except (KeyboardInterrupt, EOFError, click.exceptions.Abort):
        judged(EXIT_TRIPPED)
        _say("Stopped.")
        return EXIT_TRIPPED
    except Exception as error:
        if ENDING.lost and isinstance(error, OSError):
            return EXIT_INTERNAL
        if os.environ.get("RIG_TRACEBACK"):
            raise
        _say(
            f"Internal fault: {type(error).__name__}: {error}\n"
            "If a run was going on, type `rig safe`. Please report this with the command that led "
            "to it (RIG_TRACEBACK=1 shows where it happened)."
        )
        return EXIT_INTERNAL if ENDING.judged is None else ENDING.judged
    return 0


def _say(text: str) -> None:
    from rig.core.reader_units import units

    with contextlib.suppress(OSError):  # standard error may be closed; the exit code remains
        click.echo(units().words(text), err=True)


if __name__ == "__main__":
    main()
