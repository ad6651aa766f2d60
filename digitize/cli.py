"""The command line: every command registered, and what a person is told when one cannot be done."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import Annotated

import typer

from digitize import __version__
from digitize.commands.compare import compare_command
from digitize.commands.export import export_command
from digitize.commands.find import find_command
from digitize.commands.heal import heal_command
from digitize.commands.join import join_command
from digitize.commands.keep import keep_command
from digitize.commands.lens import lens_command
from digitize.commands.mirror import mirror_command
from digitize.commands.plan import plan_command
from digitize.commands.rack import rack_app
from digitize.commands.resize import resize_command
from digitize.commands.sheet import sheet
from digitize.commands.show import show_command
from digitize.commands.shrinkage import shrinkage_command
from digitize.commands.trace import trace_command
from digitize.commands.web import web_command
from digitize.model.errors import DigitizeError

LENGTH = (*"0123456789", "mm", "cm", "in", "inch", '"')
BARE = {  # options that may stand without a value, and how their values end
    "--dxf": (".dxf",),
    "--picture": (".png",),
    "--report": (".pdf",),
    "--pdf": (".pdf",),
    "--csv": (".csv",),
    "--arcs": LENGTH,
    "--r12": LENGTH,
}

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)


def main(argv: list[str] | None = None) -> int:
    """Run a command; returns 0, 2 where the job cannot be done, 130 where it was stopped by the keyboard."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # file names and terminals of any encoding
            stream.reconfigure(errors="backslashreplace")
    try:
        outcome = app(with_bare_options(sys.argv[1:] if argv is None else argv), "digitize", standalone_mode=False)
        return outcome if isinstance(outcome, int) else 0
    except (KeyboardInterrupt, typer.Abort):
        return 130
    except DigitizeError as error:
        return _refused(str(error))
    except Exception as error:
        if hasattr(error, "format_message"):  # typer's own, about options and arguments
            return _refused(f"{error.format_message().rstrip('.')} (see digitize --help).")
        return _refused(f"Something unexpected went wrong ({type(error).__name__}: {error}): please report it.")


def _refused(sentence: str) -> int:
    sentence = " ".join(sentence.split())
    print(sentence[:1].upper() + sentence[1:], file=sys.stderr)
    return 2


def with_bare_options(argv: Sequence[str]) -> list[str]:
    """The arguments with each option in BARE given a value, which the command line parser asks for.

    Standing alone they get an empty one: "beside the pattern", or the usual length. They stand alone unless the next
    argument ends like their value: after ``--picture`` a ``part.jpg`` is a photo to trace, a ``part.png`` the picture.
    """
    words: list[str] = []
    rest = list(argv)
    while rest and rest[0] != "--":
        word = rest.pop(0)
        takes_next = word in BARE and rest and not rest[0].startswith("-") and rest[0].lower().endswith(BARE[word])
        words.append(f"{word}={rest.pop(0) if takes_next else ''}" if word in BARE else word)
    return words + rest


def _show_version(asked: bool) -> None:
    if asked:
        print(f"digitize {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """From a photo of a flat part beside printed sheets to its true outline in millimetres."""
    if context.invoked_subcommand is None:
        print(context.get_help())


COMMANDS: dict[str, Callable[..., None]] = {
    "sheet": sheet,
    "trace": trace_command,
    "export": export_command,
    "compare": compare_command,
    "lens": lens_command,
    "plan": plan_command,
    "join": join_command,
    "heal": heal_command,
    "mirror": mirror_command,
    "resize": resize_command,
    "shrinkage": shrinkage_command,
    "keep": keep_command,
    "find": find_command,
    "show": show_command,
    "web": web_command,
}
for name, command in COMMANDS.items():
    app.command(name=name)(command)
app.add_typer(rack_app, name="rack")
