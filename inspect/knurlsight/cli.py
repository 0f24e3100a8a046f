"""The command line: names the commands, turns errors into one line and an exit status. No measuring here.

Exit status: 0 pass or done, 1 a measured fail, 2 wrong command or unreadable input, 3 cannot tell, 4 a bug of ours,
130 interrupted. Nothing heavy is imported before a command runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from photoscale.errors import PhotoscaleError
from typer.core import TyperGroup

from knurlsight import batch_command, card_command, causes_command, inspect_command, plan_command
from knurlsight.errors import KnurlsightError

EXIT_DONE, EXIT_FAIL, EXIT_USAGE, EXIT_CANNOT_TELL, EXIT_BUG, EXIT_INTERRUPTED = 0, 1, 2, 3, 4, 130

GROUPS = {
    "At the bench": ("inspect", "batch", "wheel"),
    "In the office": ("plan", "card", "rig", "causes", "job"),
    "For large shops": ("bench", "study"),
}

EPILOG = (
    "Exit status: 0 pass or done, 1 a measured fail, 2 wrong command or unreadable input, 3 cannot tell, "
    "4 a bug of ours, 130 interrupted."
)


class GroupedCommands(TyperGroup):
    """Lists the commands under where they are used instead of in one heap."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        left = {name: cmd for name in self.list_commands(ctx) if (cmd := self.get_command(ctx, name)) is not None}
        room = formatter.width - 6 - max(len(name) for name in left)
        for title, names in GROUPS.items():
            rows = [(name, left.pop(name).get_short_help_str(room)) for name in names if name in left]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)
        if left:
            with formatter.section("More"):
                formatter.write_dl([(name, cmd.get_short_help_str(room)) for name, cmd in left.items()])


app = typer.Typer(
    name="knurlsight",
    cls=GroupedCommands,
    rich_markup_mode=None,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"knurlsight {version('knurlsight')}")
        raise typer.Exit


@app.callback()
def knurlsight(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    """Inspect knurls from photos: pitch, helix, double tracking, each with its uncertainty, and a verdict."""


inspect_command.register(app)
batch_command.register(app)
plan_command.register(app)
card_command.register(app)
causes_command.register(app)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit status; everything that goes wrong ends here as one line on stderr."""
    try:
        command = typer.main.get_command(app)
        status = command.main(args=arguments, prog_name="knurlsight", standalone_mode=False)
        return status if isinstance(status, int) else EXIT_DONE
    except (KnurlsightError, PhotoscaleError) as e:
        _say_error(e.message if isinstance(e, KnurlsightError) else e.what, e.hint)
        return EXIT_USAGE
    except (KeyboardInterrupt, typer.Abort):
        typer.echo("interrupted", err=True)
        return EXIT_INTERRUPTED
    except MemoryError:
        _say_error("the machine ran out of memory", "give it a smaller photo, or close other programs")
        return EXIT_USAGE
    except Exception as e:
        if hasattr(e, "format_message") and hasattr(e, "exit_code"):  # typer keeps its usage errors in a private module
            return _usage_error(e)
        return _bug(e)


def main() -> None:
    """Entry point of the program."""
    sys.exit(run())


def _say_error(what: str, hint: str | None) -> None:
    for line in what.splitlines():
        typer.echo(f"error: {line}", err=True)
    if hint:
        typer.echo(f"hint: {hint}", err=True)


def _usage_error(e: Any) -> int:
    context = getattr(e, "ctx", None)
    if type(e).__name__ == "NoArgsIsHelpError":
        typer.echo(e.format_message())
        return EXIT_USAGE
    _say_error(e.format_message(), f"{context.command_path} --help" if context is not None else "knurlsight --help")
    return EXIT_USAGE


def _bug(e: Exception) -> int:
    from knurlsight.bug_report import bug_words

    _say_error(bug_words(e), "please report it with that file")
    return EXIT_BUG
