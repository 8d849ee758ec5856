"""The program ``loadlearn``: its commands, assembled.

Command bodies import what they need when they run, so that ``--help`` is quick.
"""

import contextlib
import signal
import sys
from typing import Annotated, Any

import typer

from loadlearn import __version__
from loadlearn.commands.advise import advise
from loadlearn.commands.calibrate import calibrate
from loadlearn.commands.check import check
from loadlearn.commands.common import CAUTION, CAUTION_ADVICE, UNUSABLE, register, settle_streams
from loadlearn.commands.compare import compare
from loadlearn.commands.condition import condition
from loadlearn.commands.demo import demo
from loadlearn.commands.diff import diff
from loadlearn.commands.dyno import dyno
from loadlearn.commands.estimate import estimate
from loadlearn.commands.export_step import export_step
from loadlearn.commands.fleet import fleet
from loadlearn.commands.inspect import inspect_command
from loadlearn.commands.remember import remember
from loadlearn.commands.report import report
from loadlearn.commands.schedule import schedule
from loadlearn.commands.schema import schema_command
from loadlearn.commands.simulate import simulate_command
from loadlearn.commands.validate import validate

COMMANDS = (
    demo,
    inspect_command,
    estimate,
    validate,
    fleet,
    calibrate,
    remember,
    advise,
    schedule,
    check,
    diff,
    compare,
    dyno,
    condition,
    simulate_command,
    export_step,
    report,
    schema_command,
)

app = typer.Typer(
    name="loadlearn",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=f"{CAUTION} {CAUTION_ADVICE}",
)
for _command in COMMANDS:
    register(app, _command)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"loadlearn {__version__}")
        raise typer.Exit()


@app.callback()
def program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Learn what a vehicle is hauling from how it drives.

    Start with: loadlearn demo --out demo-out
    """


def _stop(number: int, frame: Any) -> None:
    """Unwind on a request to end, so that temporary folders are removed."""
    raise SystemExit(128 + number)


def main() -> None:
    """Entry point of the command ``loadlearn``."""
    settle_streams()
    with contextlib.suppress(ValueError, AttributeError):  # not the main thread, or no such signal
        signal.signal(signal.SIGTERM, _stop)
    try:
        status = app(standalone_mode=False)
    except Exception as error:
        if not hasattr(error, "format_message"):  # not the command line's own complaint
            raise
        sys.exit(_misused(error))
    sys.exit(status if isinstance(status, int) else 0)


def _misused(error: Any) -> int:
    """Say in one sentence what is wrong with the command line; no box, no usage line."""
    if len(sys.argv) < 2:
        error.show()  # nothing was asked: the help
        return UNUSABLE
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "loadlearn"
    message = " ".join(error.format_message().split()).rstrip(".")
    message = message[:1].lower() + message[1:]
    typer.echo(f"loadlearn: {message}; see {path} --help", err=True)
    return UNUSABLE
