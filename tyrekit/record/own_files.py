"""A weekend's own files: what stands in its folder, not what a link there leads to."""

from __future__ import annotations

import os
from pathlib import Path

from tyrekit.errors import InputError
from tyrekit.record.text import name_problem


def own_file(path: Path, where: str, kind: type[InputError] = InputError) -> None:
    """See that a file stands in its own folder.

    Parameters
    ----------
    path : Path
        The file; it need not be there.
    where : str
        The file, for messages.
    kind : type
        The error to raise.

    Raises
    ------
    InputError
        It is no plain file, or a link leads out of its folder.
    """
    if not (path.exists() or path.is_symlink()):
        return
    if not path.is_file():
        raise kind(
            "this is not a file", where=where, rule="a weekend's files are plain files",
            next_step="Put the file itself there, or take this away.",
        )  # fmt: skip
    if os.path.realpath(path.parent) != os.path.dirname(os.path.realpath(path)):
        raise _leads_out(where, os.path.realpath(path), kind)


def own_folder(path: Path, where: str) -> None:
    """See that a folder of the weekend, if it is there, is no link; errors as `own_file`."""
    if path.is_symlink():
        raise _leads_out(where, os.path.realpath(path))
    if path.exists() and not path.is_dir():
        raise InputError(
            "this is not a folder", where=where, next_step="Rename or take away what stands there."
        )


def seen_name(path: Path, where: str) -> None:
    """See that a file's name can be read off a screen; errors as `own_file`."""
    if why := name_problem(path.name):
        raise InputError(f"{path.name!r} cannot be a file's name", where=where, rule=why,
                         next_step="Rename the file.")  # fmt: skip


def _leads_out(where: str, target: str, kind: type[InputError] = InputError) -> InputError:
    return kind(
        "this is a link out of the folder", where=where, got=target,
        rule="nothing outside the folder is read or written",
        next_step="Take the link away, or put what it leads to in its place.",
    )  # fmt: skip
