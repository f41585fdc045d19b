"""The command `diagnose`: one file a verb, thin; no computing here.

Exit codes, for scripts:

| code | meaning |
| --- | --- |
| 0 | everything that was asked for is done |
| 1 | some of it could not be done, and standard error says what: a photo that cannot be read, a log that is damaged |
| 2 | nothing was done: the words make no command, or what was given cannot be used or written |
| 130 | stopped with Ctrl+C; what was saved until then is kept |
| 141 | the reader of the output left, as `head` does |
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module

import click

from diagnose import __version__

# in the order of a day's work; the help lists them so
VERBS = ("photo", "ask", "card", "key", "pocket", "protect", "sources", "log", "survey", "upkeep", "inbox", "backup",
         "restore", "rebuild", "check", "demo", "settings", "app")
DONE, PARTLY, REFUSED = 0, 1, 2
STOPPED, LEFT = 128 + 2, 128 + 13  # as a shell counts a program that SIGINT or SIGPIPE ended
COMPLETION = "_DIAGNOSE_COMPLETE"  # environment name under which a shell asks for completions


class _Verbs(click.Group):
    """The verbs, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        verb: click.Command = getattr(import_module(f"diagnose.cli.{cmd_name}"), cmd_name)
        return verb


@click.command(cls=_Verbs, subcommand_metavar="VERB ...", context_settings={"max_content_width": 110})
@click.version_option(__version__, message="diagnose %(version)s")
def diagnose() -> None:
    """What ate this seedling, how sure is that, and which barrier stops it."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns its exit code. Errors are one line on standard error.

    Parameters
    ----------
    argv
        Words after `diagnose`, those of this process when None [no unit].
    """
    if instruction := os.environ.get(COMPLETION):
        from click.shell_completion import shell_complete

        return shell_complete(diagnose, {}, "diagnose", COMPLETION, instruction)
    from diagnose.cannot_use import CannotUse
    from diagnose.cli.streams import close_quietly
    from diagnose.terminal import without_control_codes

    try:
        with without_control_codes():
            done = _run(list(sys.argv[1:] if argv is None else argv))
        sys.stdout.flush()
        return done
    except CannotUse as reason:
        print(f"diagnose: {reason}", file=sys.stderr)
    except BrokenPipeError:
        close_quietly()
        return LEFT
    except KeyboardInterrupt:
        print("diagnose: stopped; what was saved until now is kept", file=sys.stderr)
        return STOPPED
    except OSError as problem:  # what is read is refused where it is read; this is a file that cannot be written
        place = problem.filename or "standard output"
        close_quietly()
        print(f"diagnose: {place} cannot be written ({problem.strerror}); choose another place", file=sys.stderr)
    return REFUSED


def _run(words: list[str]) -> int:
    try:
        with diagnose.make_context("diagnose", words) as context:
            return int(diagnose.invoke(context) or DONE)
    except click.exceptions.Exit as left:  # --help and --version have said what they say
        return left.exit_code
    except click.exceptions.NoArgsIsHelpError as told:
        print(told.format_message(), file=sys.stderr)
    except click.ClickException as slip:
        at = getattr(slip, "ctx", None)
        where = at.command_path if at else "diagnose"
        print(f"{where}: {' '.join(slip.format_message().split()).rstrip('.')}; see {where} --help", file=sys.stderr)
    return REFUSED
