"""The command line: names the commands, turns errors into one line and an exit status. No measuring here.

Exit status: 0 pass or done, 1 a measured fail, 2 wrong command or unreadable input, 3 cannot tell, 4 a bug of ours,
130 interrupted. Nothing heavy is imported before a command runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, MutableMapping, Sequence
from importlib import import_module
from typing import Annotated, Any

import typer
from photoscale.errors import PhotoscaleError
from typer.core import TyperGroup

from knurlsight.errors import KnurlsightError
from knurlsight.inner_threads import hold_to_one

EXIT_DONE, EXIT_FAIL, EXIT_USAGE, EXIT_CANNOT_TELL, EXIT_BUG, EXIT_INTERRUPTED = 0, 1, 2, 3, 4, 130

#: Where each command is used, and what it does; it stands in commands/NAME_command, loaded when called.
GROUPS: dict[str, dict[str, str]] = {
    "At the bench": {
        "inspect": "Inspect one knurled part from a photo and say pass, fail or cannot tell.",
        "batch": "Inspect every part of a tray photo, or every photo of a folder.",
        "wheel": "Read a wheel's ink print: pitch, helix, hand and teeth.",
        "bench": "Serve a page: a phone takes the photo, and the verdict stands on the phone.",
    },
    "In the office": {
        "plan": "Plan a knurl: blank diameter, depth, how to run it, the pattern to expect.",
        "card": "Write the scale card to print: it lies beside the part in the photo.",
        "rig": "Measure and keep a fixed camera set-up, to be used as the scale.",
        "job": "Keep photos, figures and history with the job; list, show, find, verify, back up.",
        "causes": "Print the table of faults, their likely causes and what to change.",
    },
}

EPILOG = (
    "Exit status: 0 pass or done, 1 a measured fail, 2 wrong command or unreadable input, 3 cannot tell, "
    "4 a bug of ours, 130 interrupted."
)


class CommandsOnDemand(MutableMapping[str, Any]):
    """The commands by name, each built when it is first asked for: a help page must not load all of them."""

    def __init__(self) -> None:
        self.names = [name for group in GROUPS.values() for name in group]
        self.built: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self.names:
            raise KeyError(name)
        if name not in self.built:
            alone = typer.Typer(rich_markup_mode=None, add_completion=False)
            import_module(f"knurlsight.commands.{name}_command").register(alone)
            command: Any = typer.main.get_command(alone)
            # a command with commands of its own comes inside a group that has it alone
            self.built[name] = getattr(command, "commands", {}).get(name, command)
        return self.built[name]

    def __setitem__(self, name: str, command: Any) -> None:
        self.built[name] = command

    def __delitem__(self, name: str) -> None:
        del self.built[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)


class GroupedCommands(TyperGroup):
    """Lists the commands under where they are used instead of in one heap."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.commands = CommandsOnDemand()

    def list_commands(self, ctx: Any) -> list[str]:
        """Their names, without building any."""
        return list(self.commands)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the groups."""
        for title, names in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl(list(names.items()))


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


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit status; everything that goes wrong ends here as one line on stderr."""
    try:
        command = typer.main.get_command(app)
        status = command.main(args=arguments, prog_name="knurlsight", standalone_mode=False)
        if status == EXIT_INTERRUPTED:  # typer has turned Ctrl-C into a status already
            typer.echo("interrupted", err=True)
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
    hold_to_one()
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
