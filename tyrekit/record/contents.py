"""The bytes of a logger file, piece by piece: decompressed by what they are, not by its name."""

from __future__ import annotations

import hashlib
import io
import mmap
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa

from tyrekit.errors import LogError

MOST_BYTES = 1 << 30  # decompressed; an hour of 60 channels at 100 Hz is about 150 MB
CHUNK, HEAD_BYTES, MOST_BLANK = 1 << 22, 1 << 18, 1 << 26
GZIP = b"\x1f\x8b"
BLANK = b"\0\r\n\t "
FOREIGN = {
    b"PK\x03\x04": "a zip archive or an office workbook",
    b"%PDF": "a PDF document",
    b"SQLite": "a database",
    b"\xd0\xcf\x11\xe0": "an office document",
    b"\x28\xb5\x2f\xfd": "a zstd archive",
    b"BZh": "a bzip2 archive",
    b"\xfd7zXZ": "an xz archive",
    b"7z\xbc\xaf": "a 7z archive",
    b"FEA1": "a Feather file of version 1",
    b"\x89HDF": "an HDF5 file",
}


class Contents:
    """A file's bytes, read as they are asked for; never more than `MOST_BYTES` of them.

    Attributes
    ----------
    sha256 : str
        Of the file as it stands on disk.
    head : bytes
        The first 256 KB, decompressed.
    compressed : bool
        Whether it is gzip (RFC1952).
    damage : str
        What is wrong with the compressed stream; known once all of it was read.
    """

    def __init__(self, path: Path, where: str) -> None:
        if not path.is_file():
            raise LogError(
                "this is not a file", where=where, next_step="Put the log's file itself into logs/."
            )
        self.path, self.where, self.damage = path, where, ""
        with path.open("rb") as file:
            self.compressed = file.read(2) == GZIP
            self.size = path.stat().st_size
            if self.size > MOST_BYTES:
                raise too_large(where)
            file.seek(0)
            self.sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        self.head = self._head()
        self._refuse_foreign()

    def chunks(self, size: int = CHUNK) -> Iterator[bytes]:
        """Yield the decompressed bytes in pieces of at most `size`.

        Raises
        ------
        LogError
            There are more than `MOST_BYTES`.
        """
        total = 0
        with self.path.open("rb") as file:
            for piece in self._inflated(file, size) if self.compressed else _plain(file, size):
                total += len(piece)
                if total > MOST_BYTES:
                    raise too_large(self.where)
                yield piece

    def _head(self) -> bytes:
        head = b""
        for piece in self.chunks(HEAD_BYTES):
            head += piece
            if len(head) >= HEAD_BYTES:
                break
        return head[:HEAD_BYTES]

    def is_blank(self) -> bool:
        """Whether there is nothing but zeros, spaces and line ends.

        Raises
        ------
        LogError
            There is nothing for longer than any card is filled up with.
        """
        looked = 0
        for piece in self.chunks() if not self.head.strip(BLANK) else (self.head,):
            if piece.strip(BLANK):
                return False
            looked += len(piece)
            if looked > MOST_BLANK:
                raise LogError(
                    f"its first {MOST_BLANK >> 20} MB hold nothing",
                    where=self.where,
                    rule="a log begins with column names",
                    next_step="Copy the file from the logger again.",
                )
        return True

    def opened(self) -> Any:
        """Return the decompressed bytes as an Arrow file that can be read anywhere."""
        if self.compressed:
            return pa.BufferReader(b"".join(self.chunks()))
        return pa.OSFile(str(self.path))

    def copied(self) -> mmap.mmap | io.BytesIO:
        """Return the decompressed bytes as a file of our own: changes never reach the disk."""
        if self.compressed:
            return io.BytesIO(b"".join(self.chunks()))
        with self.path.open("rb") as file:
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_COPY)

    def _inflated(self, file: io.BufferedReader, size: int) -> Iterator[bytes]:
        """Yield what the members of a gzip file hold; zeros after the last are padding."""
        rest, ended = b"", True
        while rest := rest or file.read(1 << 22):
            if ended and not rest.startswith(GZIP[: len(rest)]):
                if rest.strip(b"\0"):
                    self.damage = "bytes that are no gzip follow the gzip stream"
                    return
                rest = b""
                continue
            if ended:
                stream, ended = zlib.decompressobj(wbits=31), False
            try:
                piece = stream.decompress(rest, size)
            except zlib.error as error:
                sums = "check" in str(error)
                self.damage = f"the gzip stream is damaged{' (check sum)' if sums else ''}"
                return
            ended = stream.eof
            rest = stream.unused_data if ended else stream.unconsumed_tail
            if piece:
                yield piece
        if not ended:
            self.damage = "the gzip stream ends too early"

    def _refuse_foreign(self) -> None:
        for magic, kind in FOREIGN.items():
            if self.head.startswith(magic):
                raise LogError(
                    f"this is {kind}",
                    where=self.where,
                    rule="a log is delimited text, Parquet, Arrow or MDF 4, gzipped or not",
                    next_step="Export the log as CSV.",
                )


def _plain(file: io.BufferedReader, size: int) -> Iterator[bytes]:
    while piece := file.read(size):
        yield piece


def too_large(where: str, rule: str = "") -> LogError:
    """Return the error for more bytes than are read."""
    return LogError(
        "the log is too large",
        where=where,
        rule=rule or f"at most {MOST_BYTES >> 20} MB are read, decompressed",
        next_step="Export fewer channels, a lower rate, or one run at a time.",
    )
