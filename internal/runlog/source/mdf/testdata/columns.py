"""Writes the MDF 4.20 files of the test beside this script that hold their readings column by column, and what they hold
into want_columns.json. Needs Python alone: laid out from the standard, and what they hold is stated from it.
"""
import json
import os
import struct
import zlib

from layout import TIME, File, here, put, want


class Columns(File):
    """Groups whose time is another group's, and data by columns."""

    def __init__(self):
        super().__init__(420)

    def group(self, cn, count, data, inval=0, clock=None, flags=0):
        links = [0, cn, 0, 0, 0, 0] + ([clock] if clock else [])
        return self.block(b"CG", links, struct.pack("<QQHH4xII", 0, count, (8 if clock else 0) | flags, 46, data, inval))

    def values(self, raw, kind=b"DV", packed=None):
        """One block of values; packed is None, "deflated", or the bytes of a record for transposed ones."""
        if packed is None:
            return self.block(kind, [], raw)
        how, n = (0, 0) if packed == "deflated" else (1, packed)
        body = raw
        if how:
            rows = len(raw) // n
            body = bytes(raw[r * n + c] for c in range(n) for r in range(rows)) + raw[rows * n:]
        z = zlib.compress(body)
        return self.block(b"DZ", [], kind + struct.pack("<BBIQQ", how, 0, n, len(raw), len(z)) + z)

    def list(self, data, counts, bits=(), after=0, times=False):
        """One list; counts are the samples before each block, bits the blocks of invalidation bits."""
        flags = (1 << 31 if bits else 0) | (2 if times else 0)
        body = struct.pack("<II", flags, len(data)) + struct.pack(f"<{len(data)}Q", *counts)
        if times:
            body += struct.pack(f"<{len(data)}d", *[0.1 * c for c in counts])
        return self.block(b"LD", [after, *data, *bits], body)


def time_of(n):
    return [k * 0.1 + 0.003 for k in range(n)]


def doubles(v):
    return struct.pack(f"<{len(v)}d", *v)


def words(v):
    return struct.pack(f"<{len(v)}H", *v)


SPEED = {"name": "engine_speed", "bits": 16, "unit": "rpm"}
MAP = {"name": "manifold_pressure", "data": 4, "bits": 32, "unit": "kPa"}


def singles(v):
    return struct.pack(f"<{len(v)}f", *v)


def rounded(v):
    return [struct.unpack("<f", struct.pack("<f", x))[0] for x in v]


# One block a column, time in a group of its own that all others point to.
n = 60
t, speed, pressure = time_of(n), [800 + 31 * k for k in range(n)], [30 + k / 3 for k in range(n)]
f = Columns()
clock = f.group(f.channels([TIME]), n, 8)
f.data(f.group(f.channels([SPEED]), n, 2, clock=clock), f.values(words(speed)))
f.data(f.group(f.channels([MAP]), n, 4, clock=clock), f.values(singles(pressure)))
f.data(clock, f.values(doubles(t)))
f.save("columns.mf4")
empty = {"left": "it has no channels besides time", "channels": {}}
by_column = [
    {"time": t, "channels": {"manifold_pressure": {"unit": "kPa", "values": rounded(pressure)}}},
    {"time": t, "channels": {"engine_speed": {"unit": "rpm", "values": speed}}}]
put("columns.mf4", [{**empty}, *[{**g, "channels": {k: dict(c) for k, c in g["channels"].items()}} for g in by_column]])

# Two lists, one behind the other, of plain, deflated and transposed blocks, with the times of each block beside.
f = Columns()
clock = f.group(f.channels([TIME]), n, 8)
tail = f.list([f.values(words(speed[50:]))], [50])
data = [f.values(words(speed[:20])), f.values(words(speed[20:45]), packed="deflated"), f.values(words(speed[45:50]), packed=2)]
f.data(f.group(f.channels([SPEED]), n, 2, clock=clock), f.list(data, [0, 20, 45], after=tail, times=True))
both = f.group(f.channels([{**MAP, "at": 0}, {**SPEED, "name": "counts", "at": 4, "unit": ""}]), n, 6, clock=clock)
records = b"".join(struct.pack("<fH", p, 7 * k) for k, p in enumerate(pressure))
f.data(both, f.block(b"HL", [f.list([f.values(records[:100 // 6 * 6], packed=6), f.values(records[96:], packed="deflated")], [0, 16])],
                     struct.pack("<HB5x", 0, 0)))
f.data(clock, f.values(doubles(t), packed=8))
f.save("columns_lists.mf4")
put("columns_lists.mf4", [{**empty},
    {"time": t, "channels": {"manifold_pressure": {"unit": "kPa", "values": rounded(pressure)}, "counts": {"unit": "", "values": [7 * k for k in range(n)]}}},
    {"time": t, "channels": {"engine_speed": {"unit": "rpm", "values": speed}}}])

# Invalidation bits lie in blocks of their own; a group keeps its own time here.
f = Columns()
bits = bytes((k % 5 == 2) | (k % 7 == 0) << 1 for k in range(n))
rows = [TIME, {**SPEED, "at": 8, "flags": 2, "inval": 0}, {**MAP, "at": 10, "flags": 2, "inval": 1}]
records = b"".join(struct.pack("<dHf", a, b, c) for a, b, c in zip(t, speed, pressure))
data = [f.values(records[:14 * 25]), f.values(records[14 * 25:], packed="deflated")]
inval = [f.values(bits[:25], b"DI"), f.values(bits[25:], b"DI", packed="deflated")]
f.data(f.group(f.channels(rows), n, 14, 1), f.list(data, [0, 25], inval))
f.save("columns_invalidation.mf4")
put("columns_invalidation.mf4", [{"time": t, "channels": {
    "engine_speed": {"unit": "rpm", "values": ["text" if k % 5 == 2 else v for k, v in enumerate(speed)]},
    "manifold_pressure": {"unit": "kPa", "values": ["text" if k % 7 == 0 else v for k, v in enumerate(rounded(pressure))]}}}])

# Records as before 4.20, whose time is another group's; one points to a group that is not there.
f = Columns()
clock = f.group(f.channels([TIME, {"name": "gear", "at": 8, "unit": ""}]), n, 9)
f.data(f.group(f.channels([SPEED]), n, 2, clock=clock), f.block(b"DT", [], words(speed)))
f.data(f.group(f.channels([MAP]), n, 4, clock=64), f.block(b"DT", [], singles(pressure)))
f.data(clock, f.block(b"DT", [], b"".join(struct.pack("<dB", a, k % 6) for k, a in enumerate(t))))
f.save("time_elsewhere.mf4")
put("time_elsewhere.mf4", [
    {"time": t, "channels": {"gear": {"unit": "", "values": [k % 6 for k in range(n)]}}},
    {"left": "its time is stored with another group, which is not there", "channels": {}},
    {"time": t, "channels": {"engine_speed": {"unit": "rpm", "values": speed}}}])

with open(os.path.join(here, "want_columns.json"), "w") as out:
    json.dump(want, out, indent=0, sort_keys=True, ensure_ascii=False)
    out.write("\n")
