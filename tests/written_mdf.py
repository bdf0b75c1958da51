"""MDF 4 files written byte by byte as a logger would: index first, data last, so that a cut
leaves an index. Block layouts: MDF4, written from the description, not with the kit's reader."""

import struct
import zlib

import numpy as np


def block(kind, links, data):
    size = 24 + 8 * len(links) + len(data)
    return kind + bytes(4) + struct.pack("<QQ", size, len(links)) + struct.pack(
        f"<{len(links)}Q", *links
    ) + data  # fmt: skip


class Writer:
    """Blocks one after the other; a link may be set once its target's place is known."""

    def __init__(self):
        self.data = bytearray(64)

    def add(self, kind, links=(), data=b""):
        self.data += bytes(-len(self.data) % 8)
        at = len(self.data)
        self.data += block(kind, links, data)
        return at

    def link(self, at, index, target):
        struct.pack_into("<Q", self.data, at + 24 + 8 * index, target)

    def text(self, words):
        return self.add(b"##TX", (), words.encode() + b"\0") if words else 0


def mdf_bytes(groups, *, unfinished=False, zipped=0, rows=None):
    """A sorted MDF 4.10 file.

    Parameters
    ----------
    groups : list of (time_s, {name: (values, unit)})
        Each on a clock of its own; values are written as 64-bit floats.
    unfinished : bool
        As a logger that lost power left it: no row counts, no length of the last block.
    zipped : int
        Rows in each packed block; 0 writes one plain block.
    rows : int, optional
        The number of rows each group claims, whatever it holds.
    """
    out = Writer()
    head = out.add(b"##HD", (0,) * 6, bytes(32))
    begun = []
    before = (head, 0)
    for time_s, channels in groups:
        data_group = out.add(b"##DG", (0,) * 4, bytes(8))
        out.link(*before, data_group)
        before = (data_group, 0)
        count = 0 if unfinished else len(time_s) if rows is None else rows
        width = 8 * (1 + len(channels))
        fields = struct.pack("<QQHHIII", 0, count, 0, 0, 0, width, 0)
        group = out.add(b"##CG", (0,) * 6, fields)
        out.link(data_group, 1, group)
        last = (group, 1)
        columns = {"t": (time_s, "s"), **channels}
        for i, (name, (_, unit)) in enumerate(columns.items()):
            kind = (2, 1) if i == 0 else (0, 0)  # master, time
            fields = struct.pack("<BBBBIIIIBBHdddddd", *kind, 4, 0, 8 * i, 64, 0, 0, 0, 0, 0,
                                 *(0.0,) * 6)  # fmt: skip
            names = out.text(name), out.text(unit)
            channel = out.add(b"##CN", (0, 0, names[0], 0, 0, 0, names[1], 0), fields)
            out.link(*last, channel)
            last = (channel, 0)
        table = np.column_stack([values for values, _ in columns.values()]).astype("<f8")
        begun.append((data_group, table))
    for data_group, table in begun:
        out.link(data_group, 2, _data(out, table, zipped, unfinished))
    mark = b"UnFinMF " if unfinished else b"MDF     "
    flags = 0b101 if unfinished else 0
    out.data[:64] = mark + b"4.10    tyretest" + bytes(4) + struct.pack("<H", 410) + bytes(
        30
    ) + struct.pack("<HH", flags, 0)  # fmt: skip
    return bytes(out.data)


def _data(out, table, zipped, unfinished):
    if not zipped:
        at = out.add(b"##DT", (), table.tobytes())
        if unfinished:
            struct.pack_into("<Q", out.data, at + 8, 24)
        return at
    pieces = [table[i : i + zipped].tobytes() for i in range(0, len(table), zipped)]
    links = (0, *(0 for _ in pieces))
    offsets = np.cumsum([0, *map(len, pieces)])[:-1]
    fields = struct.pack("<B3sI", 0, bytes(3), len(pieces)) + struct.pack(
        f"<{len(pieces)}Q", *offsets
    )  # fmt: skip
    listed = out.add(b"##DL", links, fields)
    header = out.add(b"##HL", (listed,), struct.pack("<HB5s", 0, 0, bytes(5)))
    for i, piece in enumerate(pieces):
        out.link(listed, 1 + i, zip_block(out, piece))
    return header


def zip_block(out, piece, claims=None):
    """A packed block; `claims` is the size it says it unpacks to."""
    packed = zlib.compress(piece, 1)
    size = len(piece) if claims is None else claims
    return out.add(b"##DZ", (), b"DT" + struct.pack("<BBIQQ", 0, 0, 0, size, len(packed)) + packed)
