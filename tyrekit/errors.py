"""What can go wrong, as one tree.

TyrekitError
├── InputError        something a person or a logger wrote breaks a rule
│   ├── EventError    event.toml
│   ├── BookError     the book or a book/*.csv
│   ├── LogError      a logger file
│   └── TimingError   an official timing file
└── FitError          a fit was asked for what its data and beliefs cannot give

Every message reads: where: what is wrong; the rule. Got the value. The next step.
A plan that cannot exist is an answer (``status == "impossible"``), not an error.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Self

MOST_LINES = 50  # of one message
LONGEST = 2000  # characters of a part of it


class TyrekitError(Exception):
    """Base of every error the kit raises on purpose."""


class InputError(TyrekitError):
    """A file or entry breaks a rule.

    Parameters
    ----------
    what : str
        What is wrong, naming the thing: ``tyre 'N9' is not in the tyre list``.
    where : str
        File and row or key: ``book/runs.csv row 7``, ``event.toml [car] mass_kg``.
    rule : str
        What would have been right: ``it has N1, N2, U1``.
    got : object
        The offending value; left out of the message when the text already holds it.
    next_step : str
        What to do now: ``Add it to tyres or correct the run.``
    """

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        rule: str = "",
        got: object = None,
        next_step: str = "",
    ) -> None:
        self.what, self.where, self.rule, self.got, self.next_step = (
            what, where, rule, got, next_step,
        )  # fmt: skip
        super().__init__(message(what, where, rule, got, next_step))
        self.problems: tuple[InputError, ...] = (self,)

    @classmethod
    def joined(cls, problems: Sequence[InputError]) -> Self:
        """Return one error that says all of them, one a line; beyond 50 only how many."""
        first = problems[0]
        error = cls(first.what, where=first.where, rule=first.rule, got=first.got)
        error.next_step = first.next_step
        lines = [str(problem) for problem in problems[:MOST_LINES]]
        if len(problems) > MOST_LINES:
            lines.append(f"And {len(problems) - MOST_LINES} more.")
        error.args = ("\n".join(lines),)
        error.problems = tuple(problems)
        return error


class EventError(InputError):
    """event.toml breaks a rule."""


class BookError(InputError):
    """The book, or a table to be read into it, breaks a rule."""


class LogError(InputError):
    """A logger file cannot be read as asked."""


class TimingError(InputError):
    """An official timing file cannot be read."""


class FitError(TyrekitError):
    """A fit was asked for something its data and beliefs cannot give."""


def message(what: str, where: str, rule: str, got: object, next_step: str) -> str:
    """Return the one-line message built from the parts of an `InputError`.

    Characters that cannot be seen, or that a terminal would act on, are spelt out.
    """
    what, where, rule = (_visible(text) for text in (what, where, rule))
    head = f"{where}: {what}" if where else what
    text = f"{head}; {rule}." if rule else f"{head}."
    shown = bool(str(got)) and str(got) in text
    if got is not None and not shown:
        text += f" Got {_visible(repr(got))}."
    return f"{text} {_visible(next_step)}".strip()


def _visible(text: str) -> str:
    """Return a text of bearable length in which every character can be seen."""
    text = text if len(text) <= LONGEST else f"{text[:LONGEST]}..."
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c == "\n" else ascii(c)[1:-1] for c in text)
