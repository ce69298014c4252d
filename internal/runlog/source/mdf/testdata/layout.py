"""Lays MDF files out block by block from the standard, for the scripts beside it. Needs Python alone."""
import os
import struct

here = os.path.dirname(os.path.abspath(__file__))
want = {}


def number(v):
    try:
        return float(v).hex()
    except ValueError:
        return "nan"


def put(name, groups):
    """groups: [{"name", "left", "time": [...], "channels": {name: {"unit", "left", "values": [...]}}}]"""
    for g in groups:
        g["time"] = [number(v) for v in g.get("time", [])]
        for c in g["channels"].values():
            c["values"] = [number(v) for v in c.get("values", [])]
    want[name] = groups


class File:
    """Blocks are appended, links are places; what is linked to is written first, the header last of all."""

    def __init__(self, version=410):
        self.b = bytearray(64 + 104)
        self.version, self.dg = version, 0

    def block(self, name, links, data):
        self.b += bytes(-len(self.b) % 8)
        at = len(self.b)
        self.b += b"##" + name + bytes(4) + struct.pack("<QQ", 24 + 8 * len(links) + len(data), len(links))
        self.b += struct.pack(f"<{len(links)}Q", *links) + data
        return at

    def text(self, s):
        return self.block(b"TX", [], (s if isinstance(s, bytes) else s.encode()) + b"\0") if s else 0

    def comment(self, s):
        return self.block(b"MD", [], s.encode() + b"\0")

    def conversion(self, kind, values=(), refs=(), unit=0):
        return self.block(b"CC", [0, unit, 0, 0, *refs], struct.pack("<BBHHHdd", kind, 0, 0, len(refs), len(values), 0, 0) +
                          struct.pack(f"<{len(values)}d", *values))

    def channels(self, rows):
        after = 0
        for r in reversed(rows):
            after = self.block(b"CN", [after, r.get("composed", 0), self.text(r["name"]), 0, r.get("cc", 0), 0,
                                       r.get("md_unit", 0) or self.text(r.get("unit", "")), 0],
                               struct.pack("<BBBBIIIIBBHdddddd", r.get("kind", 0), r.get("sync", 0), r.get("data", 0), r.get("bit", 0),
                                           r.get("at", 0), r.get("bits", 8), r.get("flags", 0), r.get("inval", 0), 0, 0, 0, 0, 0, 0, 0, 0, 0))
        return after

    def group(self, cn, count, data, inval=0, record=0, flags=0, after=0, name=0):
        return self.block(b"CG", [after, cn, name, 0, 0, 0], struct.pack("<QQHH4xII", record, count, flags, 46, data, inval))

    def data(self, cg, at, ids=0):
        self.dg = self.block(b"DG", [self.dg, cg, at, 0], struct.pack("<B7x", ids))

    def save(self, name, magic=b"MDF     "):
        head = magic + b"%d.%02d    " % divmod(self.version, 100) + b"fixture\0" + bytes(4) + struct.pack("<H", self.version)
        self.b[:64] = head + bytes(64 - len(head))
        self.b[64:168] = b"##HD" + bytes(4) + struct.pack("<QQ6Q", 104, 6, self.dg, 0, 0, 0, 0, 0) + struct.pack("<QhhBBBBdd", 1700000000000000000, 60, 0, 0, 0, 0, 0, 0, 0)
        with open(os.path.join(here, name), "wb") as out:
            out.write(self.b)


TIME = {"name": "t", "kind": 2, "sync": 1, "data": 4, "bits": 64, "unit": "s"}
