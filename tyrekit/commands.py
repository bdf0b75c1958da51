"""The command line: report, review, check, new, import, book, map, lab."""

from __future__ import annotations

import argparse
import getpass
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from tyrekit.errors import InputError, TyrekitError


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
        sys.stdout.flush()
    except TyrekitError as error:
        print(f"tyrekit: {error}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader of a pipe has what it wanted
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return code


def build_parser() -> argparse.ArgumentParser:
    """Return the parser; each command names the function that runs it."""
    parser = argparse.ArgumentParser(
        prog="tyrekit", description="Tyres and fuel over a race weekend. Advice is an aid."
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    words = "print the decision for the next session, write the sheets"
    printed = _add(commands, "report", report, words)
    printed.add_argument(
        "--pdf", action=argparse.BooleanOptionalAction,
        help="a PDF of each sheet; by default of the one with all pages, if a Chromium is here",
    )  # fmt: skip
    _add(commands, "review", review, "say what the weekend taught, write the review and beliefs")
    _add(commands, "check", check, "say what is wrong or doubtful in the data")
    _add_new(commands)
    taking = _add(commands, "import", take_in, "take a spreadsheet or changed book/*.csv files in")
    taking.add_argument("source", type=Path, nargs="?", help=(
        "an XLSX file, a CSV file named after a table, or a folder of those; by default the"
        " weekend's own book/*.csv"))  # fmt: skip
    _add_book(commands)
    mapping = commands.add_parser("map", help=(words := "propose [log] for an unknown logger file"))
    mapping.description = words
    mapping.add_argument("place", type=Path, help="a logger's file, or the weekend's folder")
    mapping.add_argument("--write", action="store_true", help="add what is sure to event.toml")
    mapping.set_defaults(run=map_log)
    _add_lab(commands)
    return parser


def _add_book(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "what was entered, when and by whom; the book's copies, and putting one back"
    keeping = commands.add_parser("book", help=words, description=words)
    keeping.add_argument("place", type=Path, help="the weekend's folder, or a book's file")
    keeping.set_defaults(run=book, action="")
    actions = keeping.add_subparsers(dest="action", metavar="ACTION")
    actions.add_parser("copies", help="list the dated copies")
    restoring = actions.add_parser("restore", help="put a copy back; the book there is set aside")
    restoring.add_argument("when", metavar="WHEN", help=(
        "newest; a moment as listed by copies, or its beginning; or readable: no copy, but what"
        " the damaged book itself still proves"))  # fmt: skip
    telling = actions.add_parser("history", help="every value ever entered, with when and who")
    telling.add_argument("table", nargs="?", default="", help="one table of the book")
    telling.add_argument("id", nargs="?", default="", help="one tyre, run, session or row number")


def _add_lab(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "open the notebooks in JupyterLab, offline; further options go to it"
    opening = _add(commands, "lab", lab, words)
    opening.add_argument("--lan", metavar="ADDRESS", help=(
        "let another machine in your network in, at this address of this machine: asks for a"
        " password; encrypted"))  # fmt: skip
    for name in ("certificate", "key"):
        opening.add_argument(f"--{name}", type=Path, metavar="FILE", help=(
            f"with --lan: your own {name} as PEM; by default one is made with openssl"
        ))  # fmt: skip


def _add_new(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "make a weekend's folder, asking for what it needs most"
    making = _add(commands, "new", new, words, default=None)
    making.add_argument("--from", dest="source", type=Path, metavar="FILE", help=(
        "start from a spreadsheet: XLSX, a CSV file named after a table, or a folder of those"
    ))  # fmt: skip
    making.add_argument(
        "--yes", action="store_true", help="ask nothing, keep the template's values"
    )
    making.add_argument(
        "--spreadsheet", type=Path, metavar="FILE.xlsx", help="only write an empty spreadsheet"
    )


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace], int],
    words: str,
    default: Path | None = Path(),
) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=words, description=words)
    place = "the weekend's folder, by default this one" if default else "the folder to make"
    command.add_argument("folder", type=Path, nargs="?", default=default, help=place)
    command.set_defaults(run=run)
    return command


def report(arguments: argparse.Namespace) -> int:
    """Print the decision in at most 40 lines, write the sheets, and PDFs with a Chromium."""
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    from tyrekit.record.weekend import Weekend
    from tyrekit.show.answer import answer
    from tyrekit.show.report import report_renderable
    from tyrekit.show.sheet import write_sheets

    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading the weekend")
        weekend = Weekend.open(arguments.folder)
        found = answer(weekend, progress=lambda step: progress.update(task, description=step))
        progress.update(task, description="sheets")
        paths = write_sheets(found, weekend.folder / "out")
    console = Console(width=None if sys.stdout.isatty() else 100, soft_wrap=False)
    console.print(report_renderable(found))
    print(f"Sheet for the crew: {paths[0]}", flush=True)  # in one piece, to be copied
    return _print_sheets(paths, arguments.pdf)


def _print_sheets(paths: Sequence[Path], wanted: bool | None) -> int:
    """Make PDFs: every sheet when asked to, the one of all pages when a Chromium is there."""
    from tyrekit.show.printing import find_browser, write_pdf

    browser = find_browser()
    if wanted is False or (wanted is None and browser is None):
        return 0
    try:
        made = [write_pdf(path, browser) for path in (paths if wanted else paths[:1])]
    except InputError as error:
        print(f"No PDF: {error}", file=sys.stderr)
        return 2 if wanted else 0
    print(f"As PDF: {', '.join(path.name for path in made)}")
    return 0


def review(arguments: argparse.Namespace) -> int:
    """Print the findings in at most 50 lines and write out/review.html and beliefs_next.toml."""
    from tyrekit.record.weekend import Weekend
    from tyrekit.show.review import review as made_of
    from tyrekit.show.review_page import review_text, write_review

    found = made_of(Weekend.open(arguments.folder))
    print(review_text(found, write_review(found, found.weekend.folder / "out")))
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
    """Make a weekend's folder, after a few questions on a terminal, and say what comes next."""
    from tyrekit.record.event_text import event_text_from, template
    from tyrekit.record.table_files import find_tables
    from tyrekit.record.template import new_weekend
    from tyrekit.record.workbook_template import write_spreadsheet
    from tyrekit.show.questions import asked_event

    if arguments.spreadsheet is not None:
        print(f"Made {write_spreadsheet(arguments.spreadsheet)}. Fill it in, then run:")
        print(f"  tyrekit new FOLDER --from {arguments.spreadsheet}")
        return 0
    if arguments.folder is None:
        raise InputError("a folder is missing", next_step="Say which: tyrekit new FOLDER")
    text, found = template(), None
    said: tuple[str, ...] = ()
    if arguments.source is not None:
        found = find_tables(arguments.source)
        text, assumed = event_text_from(found, text)
        said = (*found.notes, *assumed)
    if sys.stdin.isatty() and sys.stdout.isatty() and not arguments.yes:
        text = asked_event(text, input, print)
    folder = new_weekend(arguments.folder, event_text=text, found=found)
    print("\n".join([f"Made {folder}.", *(f"note: {words}" for words in said)]))
    print("Next: go through event.toml from top to bottom; every value is explained there.")
    listed = found is not None and "tyres" in found.tables and found.tables["tyres"].sheet.rows
    tyres = "look through" if listed else "write your tyres into"
    print(f"Then {tyres} book/tyres.csv, copy the logger's files into logs/, and run:")
    print(f"  tyrekit check {folder}\n  tyrekit report {folder}\n  tyrekit lab {folder}")
    return 0


def take_in(arguments: argparse.Namespace) -> int:
    """Take rows of a spreadsheet, or of book/*.csv changed since, into the book."""
    from tyrekit.record.table_files import find_tables
    from tyrekit.record.table_intake import take_in as take_in_tables
    from tyrekit.record.weekend import Weekend

    who = getpass.getuser()
    if arguments.source is None:
        said = Weekend.open(arguments.folder).import_csv(who)
    else:
        found = find_tables(arguments.source)
        book = Weekend.open(arguments.folder).book
        said = [*(f"note: {words}" for words in found.notes), *take_in_tables(book, found, who)]
        said += [f"note: {problem}"] if (problem := book.copy_if_due()) else []
    print("\n".join(said) or "Nothing has changed: the book already holds every row.")
    return 0


def book(arguments: argparse.Namespace) -> int:
    """Print a book's state, copies or history, or put a copy back."""
    from rich.console import Console

    from tyrekit.record.book_file import opened
    from tyrekit.record.intake import find_book
    from tyrekit.record.restoration import restore
    from tyrekit.show import book_tables

    path, zone = find_book(arguments.place)
    console = Console(width=None if sys.stdout.isatty() else 160)
    if arguments.action == "copies":
        console.print(book_tables.copies_table(path, zone))
    elif arguments.action == "restore":
        print(book_tables.restored_words(restore(path, arguments.when, zone), zone))
    elif arguments.action == "history":
        console.print(book_tables.history_table(path, zone, arguments.table, arguments.id))
    else:
        with opened(path, zone):
            print(book_tables.state_words(path, zone))
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
    from tyrekit.show.lab import Lan, launch

    pair = arguments.certificate, arguments.key
    if arguments.lan is None and any(pair):
        raise InputError(
            "--certificate and --key go with --lan ADDRESS",
            next_step="Add --lan ADDRESS, or leave them out: this machine alone needs none.",
        )
    lan = None if arguments.lan is None else Lan(arguments.lan, *pair)
    launch(arguments.folder, arguments.rest, lan)
    return 0
