"""Parquet, Arrow and Feather files into columns, batch by batch."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.ipc as ipc
import pyarrow.parquet as parquet

from tyrekit.record.cells import FloatArray, numbers
from tyrekit.record.contents import Contents
from tyrekit.record.layout import bracket_unit
from tyrekit.record.source import Columns, Source, check_size, check_width, unreadable

PARQUET, ARROW, STREAM = b"PAR1", b"ARROW1", b"\xff\xff\xff\xff"
FILE_START = 8  # an Arrow file is its magic, padded, and then an Arrow stream
BROKEN = (pa.ArrowException, OSError, MemoryError, EOFError, ValueError, OverflowError)


def arrow_source(contents: Contents) -> Source | None:
    """Return the columns of a Parquet, Arrow or Feather file; None when it is none.

    Raises
    ------
    LogError
        It is one, and damaged: a Parquet file's index stands at its end and is lost with it.
    """
    if contents.head.startswith(PARQUET):
        return _source(contents, "Parquet", _ParquetFile)
    if contents.head.startswith((ARROW, STREAM)):
        return _source(contents, "Arrow", _ArrowFile)
    return None


class _ParquetFile:
    """A Parquet file; page check sums are compared where it has them."""

    def __init__(self, contents: Contents) -> None:
        self.file = parquet.ParquetFile(contents.opened(), page_checksum_verification=True)
        self.schema = self.file.schema_arrow
        self.damage = ""

    def check(self, columns: int, where: str) -> None:
        check_size(self.file.metadata.num_rows, columns, where)

    def batches(self, names: list[str]) -> Iterator[Any]:
        yield from self.file.iter_batches(columns=names)


class _ArrowFile:
    """An Arrow file or stream: a file is read as the stream in it, which needs no index."""

    def __init__(self, contents: Contents) -> None:
        opened, self.damage = contents.opened(), ""
        if contents.head.startswith(ARROW):
            opened.seek(max(0, opened.size() - len(ARROW)))
            whole = opened.read() == ARROW
            self.damage = "" if whole else "the Arrow file lacks its end"
            opened.seek(FILE_START)
        self.stream = ipc.open_stream(opened)
        self.schema = self.stream.schema

    def check(self, columns: int, where: str) -> None:
        """Nothing is known before the batches are read."""

    def batches(self, names: list[str]) -> Iterator[Any]:
        while True:
            try:
                batch = self.stream.read_next_batch()
            except StopIteration:
                return
            except BROKEN as error:
                self.damage = f"the file ends or is damaged within a batch ({_first(error)})"
                return
            batch = batch.select(names)
            batch.validate(full=True)
            yield batch


def _source(
    contents: Contents, kind: str, opening: type[_ParquetFile] | type[_ArrowFile]
) -> Source:
    where = contents.where
    try:
        names = tuple(opening(contents).schema.names)
    except BROKEN as error:
        if contents.damage:
            raise unreadable(f"{contents.damage}, and {kind} needs all of it", where) from None
        raise unreadable(f"the {kind} file cannot be read: {_first(error)}", where) from None
    check_width(len(names), where)

    def read(places: Mapping[int, str]) -> Columns:
        try:
            return _read(opening(contents), names, places, contents)
        except BROKEN as error:
            raise unreadable(f"the {kind} file is damaged: {_first(error)}", where) from None

    return Source(names, tuple(bracket_unit(name) for name in names), kind, read)


def _read(
    file: _ParquetFile | _ArrowFile,
    names: tuple[str, ...],
    places: Mapping[int, str],
    contents: Contents,
) -> Columns:
    file.check(len(places), contents.where)
    parts: dict[int, list[FloatArray]] = {place: [] for place in places}
    clock: set[int] = set()
    rows = batch_rows = 0
    for batch in file.batches([names[place] for place in places]):
        rows, batch_rows = rows + batch.num_rows, max(batch_rows, batch.num_rows)
        check_size(rows, len(places), contents.where)
        for place in places:
            values, is_clock = numbers(batch.column(names[place]))
            parts[place].append(values)
            clock |= {place} if is_clock else set()
    joined = {p: np.concatenate(v) if v else np.empty(0) for p, v in parts.items()}
    damage = file.damage or contents.damage
    return Columns(joined, damage=damage, clock=frozenset(clock), block_rows=batch_rows)


def _first(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:200]
