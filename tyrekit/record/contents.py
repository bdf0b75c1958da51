"""The bytes of a logger file: decompressed by what they are, not by the file's name."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass
from pathlib import Path

from tyrekit.errors import LogError

MOST_BYTES = 1 << 29  # decompressed; an hour of 60 channels at 100 Hz is about 150 MB
CHUNK = 1 << 20
GZIP = b"\x1f\x8b"
FOREIGN = {
    b"PK\x03\x04": "a zip archive or an office workbook",
    b"%PDF": "a PDF document",
    b"SQLite": "a database",
    b"MDF     ": "an ASAM MDF measurement file, which this version does not read",
    b"UnFinMF ": "an unfinished ASAM MDF measurement file",
}


@dataclass(frozen=True)
class Contents:
    """A file's bytes; `cut_off` when its compressed stream ends too early."""

    data: bytes
    sha256: str
    compressed: bool
    cut_off: bool


def read_contents(path: Path, where: str) -> Contents:
    """Return the bytes of a file, decompressed when they are gzip.

    Raises
    ------
    LogError
        Not a file, larger than 512 MB when decompressed, or a kind of file that is no log.
    """
    if not path.is_file():
        raise LogError(
            "this is not a file", where=where, next_step="Put the log's file itself into logs/."
        )
    if path.stat().st_size > MOST_BYTES:
        raise _too_large(where)
    raw = path.read_bytes()
    compressed = raw.startswith(GZIP)
    data, cut_off = _decompressed(raw, where) if compressed else (raw, False)
    for magic, kind in FOREIGN.items():
        if data.startswith(magic):
            raise LogError(
                f"this is {kind}",
                where=where,
                rule="a log is delimited text or Parquet, either of them gzipped or not",
                next_step="Export the log as CSV.",
            )
    return Contents(data, hashlib.sha256(raw).hexdigest(), compressed, cut_off)


def _decompressed(raw: bytes, where: str) -> tuple[bytes, bool]:
    """Return what a gzip file holds, and whether it ends too early."""
    parts, total, rest, ended = [], 0, raw, True
    while rest.startswith(GZIP):
        stream, ended = zlib.decompressobj(wbits=31), False
        try:
            while rest and not stream.eof:
                parts.append(stream.decompress(rest, CHUNK))
                rest = stream.unconsumed_tail
                total += len(parts[-1])
                if total > MOST_BYTES:
                    raise _too_large(where)
            ended, rest = stream.eof, stream.unused_data
        except zlib.error:
            return b"".join(parts), True
    return b"".join(parts), not ended


def _too_large(where: str) -> LogError:
    return LogError(
        "the log is too large",
        where=where,
        rule=f"at most {MOST_BYTES >> 20} MB are read, decompressed",
        next_step="Export fewer channels, a lower rate, or one run at a time.",
    )
