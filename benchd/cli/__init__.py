"""The command line. Each command's module is imported when it is typed, so that `benchd --help` stays fast."""

from __future__ import annotations

import importlib
import sys
from typing import IO, Any, NoReturn

import click

from benchd import __version__
from benchd.errors import BenchdError

#: Command -> (module in this package, what `benchd --help` says of it).
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "Show both runs on a virtual bench: no hardware, nothing to set up."),
    "order": ("order", "Work orders: complaint, findings, plan, repairs, proof, report."),
    "visit": ("visit", "The same on screens: one machine from the complaint to the proof."),
    "lot": ("lot", "Rebuilt regulators by the lot: open, scan, status, close, report."),
    "standard": ("standard", "Check standards: is the bench right today? Measure, chart."),
    "study": ("study", "Gauge studies: how much of the spread is the bench's own."),
    "run": ("run", "Run one test on a bench: battery, stator, regulator, wiring."),
    "serve": ("serve", "Serve many benches, always on: the daemon."),
    "watch": ("watch", "Show the run of a bench, from any terminal, at any moment."),
    "status": ("status", "Say how the daemon and its benches are."),
    "judge": ("judge", "Judge recorded traces (CSV) as a live run would be judged."),
    "meters": ("meters", "List ports, find out which meter answers where, show live readings."),
    "machine": ("machine", "Show a machine's circuit, its limits, and where the meters go."),
    "causes": ("causes", "What could be wrong and how often: show, check, learn from closed orders."),
    "check": ("check", "Check bench, machine and causes files without running anything."),
    "history": ("history", "List the runs that are kept."),
    "replay": ("replay", "Show a kept run again."),
    "rejudge": ("rejudge", "Judge a kept run again, under its own or another spec."),
    "export": ("export", "Write a kept run's samples as CSV or Parquet."),
    "verify": ("verify", "Check that nothing in the journal is missing or altered."),
    "backup": ("backup", "Copy the journal while it is in use, or put a copy back."),
    "thin": ("thin", "Thin the raw readings of old runs; verdicts and samples stay."),
    "picture": ("picture", "Write the end page of a kept run as an SVG picture."),
    "dashboards": ("dashboards", "Write the dashboards for the time-series store as files."),
    "token": ("token", "Make, list and revoke tokens for the daemon."),
}

EPILOG = """\b
Exit codes: 0 pass, 1 fail, 2 wrong command or configuration,
3 undecided, 4 void, 5 instrument or store trouble, 130 Ctrl-C."""


class Trouble(click.ClickException):
    """A BenchdError on its way out: its message for a person, its exit code."""

    def __init__(self, error: BenchdError) -> None:
        super().__init__(str(error))
        self.exit_code = error.exit_code  # type: ignore[misc]  # click reads it from the instance

    def show(self, file: IO[Any] | None = None) -> None:
        from benchd.plaintext import harmless_lines

        click.echo(f"benchd: {harmless_lines(self.message)}", err=True)


class LazyGroup(click.Group):
    """A group whose commands are modules that hold one `command`."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BenchdError as error:
            raise Trouble(error) from error

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"benchd.cli.{COMMANDS[cmd_name][0]}")
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The table above, without importing what it names."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchd")
def cli() -> None:
    """Reads the meters while a small engine runs, judges battery, wiring, stator and regulator, names the suspect, and
    carries the whole visit of a machine, from the complaint to the proof.

    Begin with: benchd demo
    """


def main() -> NoReturn:
    """The console script: errors as one message and an exit code, never a traceback."""
    try:
        code = cli.main(standalone_mode=False)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("benchd: stopped by Ctrl-C", err=True)
        code = 130
    except BrokenPipeError:
        code = _pipe_closed()
    except Exception as error:
        from benchd.cli.common import log_crash

        click.echo(log_crash(error), err=True)
        code = 70
    sys.exit(code if isinstance(code, int) else 0)


def _pipe_closed() -> int:
    """Whoever read our output has gone (`benchd history | head`): nothing more to say, and Python must not either."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
