"""The blocks of an ASAM MDF 4 file walked before it is read: bounded, and mended where cut off.

A file may be cut off, unfinished or made to mislead: every link must lead to a block within the
file, no chain may return to itself, and packed blocks must hold what they declare. Block layouts
and field offsets: MDF4.
"""

from __future__ import annotations

import mmap
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from tyrekit.record.contents import MOST_BYTES, too_large
from tyrekit.record.source import MOST_COLUMNS, MOST_VALUES, check_width, unreadable

FINISHED, UNFINISHED = b"MDF     ", b"UnFinMF "
HEADER_AT, HEAD_SIZE, ZIPPED_SIZE, FLAGS_AT = 64, 24, 48, 60
MOST_EXPANSION = 1032  # of deflate
VARIABLE = 1  # a channel group flag: its records have no fixed size
COUNT_ROWS = 1  # a flag of unfinished files: the rows of its groups must be counted
CUT_OFF = "the MDF file is cut off within its data"
DATA = (b"##DT", b"##DV", b"##DZ", b"##SD")
DEFLATE = (0, 1)  # how a block may be packed: plain, or its rows and columns exchanged before
WITHOUT_BYTES = (3, 6)  # channel types that stand in no record: counted, not stored
INVALID_FLAGS = 3  # of a channel: all invalid, or a bit in each record says so
LISTS = (b"##DL", b"##LD")


@dataclass
class Walk:
    """What a walk over a file found.

    Attributes
    ----------
    patches : list of (int, bytes)
        What must be written where for the file to be read.
    lost_rows : dict
        Rows declared and not there, by the group's address.
    damage : str
        How the file is cut off; empty when it is whole.
    """

    data: mmap.mmap | bytes
    where: str
    patches: list[tuple[int, bytes]] = field(default_factory=list)
    lost_rows: dict[int, int] = field(default_factory=dict)
    damage: str = ""
    seen: set[int] = field(default_factory=set)
    channels: int = 0
    total_bytes: int = 0

    def links(self, at: int, *kinds: bytes) -> tuple[int, ...]:
        """Return the links of a block, which must be of one of these kinds and not seen before."""
        if not HEADER_AT <= at <= len(self.data) - HEAD_SIZE:
            raise unreadable("a part of the MDF file's index lies beyond its end", self.where)
        kind, _, length, count = struct.unpack_from("<4s4sQQ", self.data, at)
        if kind not in kinds:
            raise unreadable(f"the MDF file's index is damaged at byte {at}", self.where)
        if at in self.seen:
            raise unreadable(f"the MDF file's index runs in a circle at byte {at}", self.where)
        self.seen.add(at)
        if HEAD_SIZE + 8 * count > length or at + length > len(self.data):
            raise unreadable(f"a block of the MDF file at byte {at} has no end", self.where)
        return struct.unpack_from(f"<{count}Q", self.data, at + HEAD_SIZE)

    def chain(self, at: int, kind: bytes, least: int) -> Iterator[tuple[int, tuple[int, ...]]]:
        """Yield address and links of a block and of those after it, linked by the first link."""
        while at:
            links = self.links(at, kind)
            if len(links) < least:
                raise unreadable(f"a block of the MDF file at byte {at} is too short", self.where)
            yield at, links
            at = links[0]

    def number(self, form: str, at: int) -> int:
        """Return a whole number that stands somewhere in the file."""
        if at + struct.calcsize(form) > len(self.data):
            raise unreadable("a part of the MDF file's index lies beyond its end", self.where)
        return int(struct.unpack_from(form, self.data, at)[0])


def walk(data: mmap.mmap | bytes, where: str) -> Walk:
    """Return what must be known of an MDF file before it is read.

    Raises
    ------
    LogError
        Its index is damaged or lost, or it holds more than is read.
    """
    found = Walk(data, where)
    head = found.links(HEADER_AT, b"##HD")
    if len(head) < 6:
        raise unreadable("the MDF file's header is damaged", where)
    for at, kind in ((head[1], b"##FH"), (head[3], b"##AT"), (head[4], b"##EV")):
        for _ in found.chain(at, kind, 1):
            pass
    unfinished = data[: len(UNFINISHED)] == UNFINISHED
    sorted_ = True
    for at, links in found.chain(head[0], b"##DG", 4):
        groups = _groups(found, links[1])
        available = _available(found, at + HEAD_SIZE + 16)
        sorted_ &= _mend(found, at + HEAD_SIZE + 8 * len(links), groups, available, unfinished)
    if unfinished:
        found.patches.append((0, FINISHED))
    if unfinished or (found.damage and not sorted_):
        found.patches.append((FLAGS_AT, struct.pack("<H", 0 if sorted_ else COUNT_ROWS)))
    return found


def _groups(found: Walk, at: int) -> list[int]:
    groups = []
    for group, links in found.chain(at, b"##CG", 2):
        groups.append(group)
        fields = group + HEAD_SIZE + 8 * len(links)
        variable = found.number("<H", fields + 16) & VARIABLE
        sizes = found.number("<I", fields + 24), found.number("<I", fields + 28)
        _channels(found, links[1], None if variable else sizes)
    return groups


def _channels(found: Walk, at: int, sizes: tuple[int, int] | None) -> None:
    """Follow channels and what they are composed of; each must lie within its record.

    `sizes` are a record's bytes of values and of invalidation bits; None where it has no fixed
    size.
    """
    waiting = [at]
    while waiting:
        at = waiting.pop()
        if not at:
            continue
        links = found.links(at, b"##CN", b"##CA")
        kind = bytes(found.data[at : at + 4])
        waiting += links[:2] if kind == b"##CN" else links[:1]
        if kind == b"##CN" and sizes is not None:
            _check_place(found, at, at + HEAD_SIZE + 8 * len(links), sizes)
        found.channels += 1
        if found.channels > MOST_COLUMNS:
            check_width(found.channels, found.where)


def _check_place(found: Walk, at: int, fields: int, sizes: tuple[int, int]) -> None:
    """See that a channel's bytes and its invalidation bit lie within a record."""
    first_bit, first, bits = (
        found.number(form, fields + i) for form, i in (("<B", 3), ("<I", 4), ("<I", 8))
    )
    invalid = found.number("<I", fields + 12) & INVALID_FLAGS
    inside = first + (first_bit + bits + 7) // 8 <= sum(sizes)
    if found.number("<B", fields) in WITHOUT_BYTES:
        inside = True
    if invalid and found.number("<I", fields + 16) >= 8 * sizes[1]:
        inside = False
    if not inside:
        raise unreadable(f"a channel of the MDF file at byte {at} lies beyond its record",
                         found.where)  # fmt: skip


def _available(found: Walk, link_at: int) -> int:
    """Return the bytes of records behind a link to data, as far as they are in the file."""
    at = found.number("<Q", link_at)
    if not at:
        return 0
    if at > len(found.data) - HEAD_SIZE:
        found.damage = CUT_OFF
        found.patches.append((link_at, bytes(8)))
        return 0
    kind = bytes(found.data[at : at + 4])
    if kind == b"##HL":
        found.links(at, b"##HL")
        return _listed(found, found.number("<Q", at + HEAD_SIZE))
    if kind in LISTS:
        return _listed(found, at)
    size = _size(found, at, kind)
    if size is None:
        found.patches.append((link_at, bytes(8)))
    return size or 0


def _listed(found: Walk, at: int) -> int:
    """Return the bytes behind a chain of lists; pieces beyond the file's end leave the list."""
    total = 0
    while at and not (found.damage and at > len(found.data) - HEAD_SIZE):
        links = found.links(at, *LISTS)
        fields = at + HEAD_SIZE + 8 * len(links)
        sizes: list[int] = []
        for piece in links[1 : 1 + found.number("<I", fields + 4)]:
            size = _size(found, piece, bytes(found.data[piece : piece + 4])) if piece else None
            if size is None:
                found.patches += [(fields + 4, struct.pack("<I", len(sizes))),
                                  (at + HEAD_SIZE, bytes(8))]  # fmt: skip
                return total + sum(sizes)
            sizes.append(size)
        total, at = total + sum(sizes), links[0] if links else 0
    return total


def _size(found: Walk, at: int, kind: bytes) -> int | None:
    """Return how many bytes of records a block holds, None when the file's end cuts it off.

    A plain block that is cut is shortened to what is there; a packed one is lost.
    """
    if at > len(found.data) - HEAD_SIZE:
        found.damage = CUT_OFF
        return None
    if kind not in DATA or at < HEADER_AT or at in found.seen:
        raise unreadable(f"the MDF file's data are damaged at byte {at}", found.where)
    found.seen.add(at)
    length = found.number("<Q", at + 8)
    size: int | None
    if kind == b"##DZ":
        size = _unpacked(found, at)
    else:
        left = len(found.data) - at
        if _open(found, at, length):
            left, length = _next_block(found, at) - at, left + 1
            found.damage = found.damage or "the MDF file was never finished"
        if length > left:
            found.damage = found.damage or CUT_OFF
            found.patches.append((at + 8, struct.pack("<Q", left)))
            length = left
        size = max(0, length - HEAD_SIZE)
    found.total_bytes += size or 0
    if found.total_bytes > MOST_BYTES:
        raise too_large(found.where)
    return size


def _open(found: Walk, at: int, length: int) -> bool:
    """Whether an unfinished file was still writing this block: it has no length yet."""
    unfinished = bytes(found.data[: len(UNFINISHED)]) == UNFINISHED
    return unfinished and length <= HEAD_SIZE < len(found.data) - at


def _next_block(found: Walk, at: int) -> int:
    """Return where the next block begins after a block without a length; else the file's end."""
    while (at := found.data.find(b"##", at + HEAD_SIZE)) >= 0:
        kind = bytes(found.data[at : at + 8])
        if at % 8 == 0 and kind[2:4].isalpha() and kind[4:] == bytes(4):
            return at
        at -= HEAD_SIZE - 1
    return len(found.data)


def _unpacked(found: Walk, at: int) -> int | None:
    """Return the size of a packed block once unpacked; None when the file's end cuts it."""
    whole = at + ZIPPED_SIZE <= len(found.data)
    declared, packed = struct.unpack_from("<QQ", found.data, at + 32) if whole else (0, 0)
    if not whole or at + ZIPPED_SIZE + packed > len(found.data):
        found.damage = CUT_OFF
        return None
    if declared > MOST_EXPANSION * (packed + 1) or declared > MOST_BYTES:
        raise unreadable(f"a packed block of the MDF file at byte {at} cannot hold what it says",
                         found.where)  # fmt: skip
    if found.number("<B", at + HEAD_SIZE + 2) not in DEFLATE:
        raise unreadable(f"a block of the MDF file at byte {at} is packed in a way not read here",
                         found.where)  # fmt: skip
    _check_unpacked(found, at, declared, packed)
    return int(declared)


def _check_unpacked(found: Walk, at: int, declared: int, packed: int) -> None:
    stream = zlib.decompressobj()
    start = at + ZIPPED_SIZE
    try:
        unpacked = stream.decompress(found.data[start : start + packed], declared + 1)
    except zlib.error:
        unpacked = b""
    if len(unpacked) != declared:
        raise unreadable(f"a packed block of the MDF file at byte {at} is damaged", found.where)


def _mend(found: Walk, fields: int, groups: list[int], available: int, unfinished: bool) -> bool:
    """Set a sorted group's number of rows to what is there; return whether it is sorted."""
    if found.number("<B", fields) or len(groups) != 1:
        return len(groups) == 0
    group = groups[0]
    fields = group + HEAD_SIZE + 8 * found.number("<Q", group + 16)
    declared, flags = found.number("<Q", fields + 8), found.number("<H", fields + 16)
    size = found.number("<I", fields + 24) + found.number("<I", fields + 28)
    if flags & VARIABLE or not size:
        return True
    rows = available // size
    if declared > rows or (unfinished and declared < rows):
        found.patches.append((fields + 8, struct.pack("<Q", rows)))
    if declared > MOST_VALUES:
        found.damage = f"the MDF file says it has {declared} rows, which no log has"
    elif declared > rows or (found.damage and available % size):
        found.lost_rows[group] = max(declared - rows, 1)
        found.damage = found.damage or "the MDF file holds fewer rows than it says"
    return True
