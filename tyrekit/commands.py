"""The command line: report, check, new, import, map, lab."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from tyrekit.errors import TyrekitError


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 2 the input needs correcting."""
    # the fits are small: a second BLAS thread only makes them slower, ten times on a busy machine
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    parser = build_parser()
    arguments, rest = parser.parse_known_args(argv)
    if rest and arguments.run is not lab:
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    arguments.rest = rest
    try:
        code: int = arguments.run(arguments)
    except TyrekitError as error:
        print(f"tyrekit: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    return code


def build_parser() -> argparse.ArgumentParser:
    """Return the parser; each command names the function that runs it."""
    parser = argparse.ArgumentParser(
        prog="tyrekit", description="Tyres and fuel over a race weekend. Advice is an aid."
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add(commands, "report", report, "print the decision for the next session, write the sheet")
    _add(commands, "check", check, "say what is wrong or doubtful in the data")
    _add(commands, "new", new, "make a commented empty weekend")
    _add(commands, "import", take_in, "take book/*.csv files changed since into the book")
    mapping = commands.add_parser("map", help=(words := "propose [log] for an unknown logger file"))
    mapping.description = words
    mapping.add_argument("place", type=Path, help="a logger's file, or the weekend's folder")
    mapping.add_argument("--write", action="store_true", help="add what is sure to event.toml")
    mapping.set_defaults(run=map_log)
    _add(
        commands, "lab", lab, "open the notebooks in JupyterLab, offline; further options go to it"
    )
    return parser


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace], int],
    words: str,
) -> None:
    command = commands.add_parser(name, help=words, description=words)
    command.add_argument("folder", type=Path, help="the weekend's folder")
    command.set_defaults(run=run)


def report(arguments: argparse.Namespace) -> int:
    """Print the decision in at most 40 lines and write out/sheet.html."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    from tyrekit.record.weekend import Weekend
    from tyrekit.show.answer import answer
    from tyrekit.show.report import report_renderable
    from tyrekit.show.sheet import write_sheet

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading the weekend")
        weekend = Weekend.open(arguments.folder)
        found = answer(weekend, progress=lambda step: progress.update(task, description=step))
        progress.update(task, description="sheet")
        path = write_sheet(found, weekend.folder / "out" / "sheet.html")
    console = Console(width=None if sys.stdout.isatty() else 100, soft_wrap=False)
    console.print(report_renderable(found, path))
    return 0


def check(arguments: argparse.Namespace) -> int:
    """Print every doubt and note about the weekend's data."""
    from rich.console import Console

    from tyrekit.record.weekend import Weekend
    from tyrekit.show.answer import fit_weekend
    from tyrekit.show.report import check_renderable

    console = Console(width=None if sys.stdout.isatty() else 100)
    weekend = Weekend.open(arguments.folder)
    console.print(check_renderable(weekend, fit_weekend(weekend).doubts))
    return 0


def new(arguments: argparse.Namespace) -> int:
    """Make a commented empty weekend and say what to fill in."""
    from tyrekit.record.template import new_weekend

    folder = new_weekend(arguments.folder)
    print(f"Made {folder}. Fill in event.toml and book/tyres.csv, put logs into logs/, then run:")
    print(f"  tyrekit report {folder}")
    return 0


def take_in(arguments: argparse.Namespace) -> int:
    """Take rows of book/*.csv changed since the first opening into the book, and say which."""
    from tyrekit.record.weekend import Weekend

    weekend = Weekend.open(arguments.folder)
    said = weekend.import_csv(getpass.getuser())
    print("\n".join(said) or "Nothing has changed: the book already holds every row.")
    return 0


def map_log(arguments: argparse.Namespace) -> int:
    """Print what the columns of a logger's file seem to be, and on request write it down."""
    from rich.console import Console
    from rich.table import Table

    from tyrekit.record.mapping import log_and_event, propose_mapping

    path, event_toml, layout = log_and_event(arguments.place)
    proposal = propose_mapping(path, layout)
    table = Table("channel", "column", "unit", "score", "evidence", box=None)
    for row in proposal.rows():
        score = f"{row.score:.2f}" if row.sure else f"{row.score:.2f} not sure"
        table.add_row(row.channel, row.column, row.unit, score, row.evidence)
    console = Console(width=None if sys.stdout.isatty() else 140)
    console.print(f"Columns of {proposal.file}:", table)
    print("\n".join(f"note: {note}" for note in proposal.notes))
    print(f"\nFor event.toml:\n\n{proposal.toml()}")
    if arguments.write:
        added = proposal.write(event_toml)
        print(f"{len(added)} lines added to {event_toml}; what was there is as it was.")
    return 0


def lab(arguments: argparse.Namespace) -> int:
    """Open JupyterLab on the weekend's notebooks."""
    from tyrekit.show.lab import launch

    launch(arguments.folder, arguments.rest)
    return 0
