"""Files that people rely on: written whole or not at all, and on disk when that is said."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from glob import escape
from pathlib import Path

from tyrekit.errors import InputError
from tyrekit.record.own_files import own_folder

LEFT_S = 300.0  # nothing is written for so long


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file in place of the one of that name; a power cut leaves the old or the new one.

    Parameters
    ----------
    path : Path
        Its folder is made when missing.
    content : str or bytes
        Text is written as UTF-8, its line ends as they are.

    Raises
    ------
    InputError
        It cannot be written, or its folder is a link; the file that was there is as it was.
    """
    part = part_of(path)
    try:
        own_folder(path.parent, str(path.parent))
        path.parent.mkdir(parents=True, exist_ok=True)
        write_part(part, content.encode() if isinstance(content, str) else content)
        os.replace(part, path)
        folder_to_disk(path.parent)
    except OSError as error:
        raise InputError(
            f"the file cannot be written: {error.strerror or error}",
            where=str(path),
            next_step="Make room or choose a place that can be written; nothing was changed.",
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def part_of(path: Path) -> Path:
    """Return where to write what is to take a file's place.

    What programs that were killed some time ago left there is taken away.
    """
    for part in path.parent.glob(f".{escape(path.name)}.*.part*"):
        with suppress(OSError):
            if abs(time.time() - part.lstat().st_mtime) > LEFT_S:
                part.unlink()
    return path.with_name(f".{path.name}.{os.getpid()}.part")


def write_part(part: Path, content: bytes) -> None:
    """Write a file anew and wait until it is on disk; what stands there is taken away first."""
    part.unlink(missing_ok=True)  # a link that waits there would be written through
    with part.open("xb") as file:
        file.write(content)
        file.flush()
        to_disk(file.fileno())


def to_disk(descriptor: int) -> None:
    """Wait until what was written to an open file is on disk."""
    try:
        import fcntl

        whole = getattr(fcntl, "F_FULLFSYNC", None)  # macOS, whose fsync stops at the drive's cache
        if whole is not None:
            fcntl.fcntl(descriptor, whole)
            return
    except (ImportError, OSError):  # Windows; a drive that cannot do it
        pass
    os.fsync(descriptor)


def folder_to_disk(folder: Path) -> None:
    """Wait until a folder's names are on disk, where the system can do that."""
    with suppress(OSError):  # Windows opens no folders and needs none of this
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
