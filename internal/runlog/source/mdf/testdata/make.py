"""Writes the MDF files of the test beside this script, and what they hold, as hexadecimal floats, into want.json.

Needs Python with numpy and asammdf, an open-source library for MDF files (run with its state of October 2020, before
6.0.0). Files of library() are written by it and hold what it reads in them: another hand on both sides. What it does not
write (mixed records, odd bits, nested conversions, structures) is laid out here block by block from the standard, and
what it holds is stated from the standard.
"""
import datetime
import json
import os
import struct
import time
import warnings
import zlib

import numpy as np
from asammdf import MDF, Signal

from layout import TIME, File, here, put, want

warnings.filterwarnings("ignore")
time.time = lambda: 1700000000.0  # the same bytes on any day


def reading(name):
    """What the library reads in a file; invalid readings are nan, and so is text."""
    groups = []
    with MDF(os.path.join(here, name)) as f:
        for gi, g in enumerate(f.groups):
            channels, time = {}, []
            for ci, ch in enumerate(g.channels):
                if ch.channel_type in (2, 3):
                    continue
                s = f.get(group=gi, index=ci, ignore_invalidation_bits=True)
                time, values = s.timestamps, s.samples
                if values.dtype.kind not in "iuf":
                    values = [float(v) if isinstance(v, float) else "text" for v in values.tolist()]
                if s.invalidation_bits is not None:
                    values = ["text" if bad else v for v, bad in zip(values, s.invalidation_bits)]
                channels[ch.name] = {"unit": s.unit, "values": values}
            groups.append({"time": list(time), "channels": channels})
    put(name, groups)


# --- written by the library ----------------------------------------------------------------------------------------
def ramp(n, step=0.01):
    return np.arange(n) * step + 0.003


def engine(n, step=0.01):
    t = ramp(n, step)
    i = np.arange(n)
    return [
        Signal((3200 + 37 * i % 4000).astype("<u2"), t, name="engine_speed", unit="rpm", conversion={"a": 0.25, "b": 0}),
        Signal((60 + i % 40).astype("u1"), t, name="coolant_temperature", unit="°C", conversion={"a": 1.0, "b": -40.0}),
        Signal((1000 * np.sin(i / 7)).astype("<i2"), t, name="spark_advance", unit="deg", conversion={"a": 0.1, "b": 3.3}),
        Signal((100 + np.cos(i / 3)).astype("<f4"), t, name="manifold_pressure", unit="kPa"),
        Signal(0.85 + np.sin(i / 11) / 10, t, name="lambda", unit=""),
    ]


def library(name, signals, version="4.10", compression=0, fragment=None, more=(), attach=False):
    f = MDF(version=version)
    f.header.start_time = datetime.datetime(2023, 11, 14)
    for s in [signals, *more]:
        f.append(s, common_timebase=True)
    if attach:
        f.attach(b"notes of the day", file_name="notes.txt", mime="text/plain")
    if fragment:
        f.configure(write_fragment_size=fragment)
    f.save(os.path.join(here, name), overwrite=True, compression=compression)
    f.close()
    reading(name)


library("short.mf4", [Signal(np.array([800, 810, 820], dtype="<u2"), np.array([0.0, 1.0, 2.0]), name="engine speed (rpm)", unit="")])
library("plain_400.mf4", engine(60), "4.00")
library("plain_410.mf4", engine(60))
library("plain_411_attachment.mf4", engine(20), "4.11", attach=True)
library("deflated.mf4", engine(300), compression=1)
library("transposed.mf4", engine(300), compression=2)
library("list.mf4", engine(300), fragment=1024)
library("list_deflated.mf4", engine(300), compression=1, fragment=1024)
library("list_transposed.mf4", engine(301), compression=2, fragment=1024)
i = np.arange(30)
library("rates.mf4", engine(100), more=[
    [Signal((90 + np.arange(10)).astype("u1"), ramp(10, 0.1), name="oil_temperature", unit="°C"),
     Signal((96 + np.arange(10) % 2).astype("u1"), ramp(10, 0.1), name="barometric_pressure", unit="kPa")],
    [Signal(np.linspace(40, 90, 17).astype("<f4"), np.linspace(0.0011, 0.97, 17), name="vehicle_speed", unit="km/h")],
])
library("rounded.mf4", [Signal((900 + np.arange(50)).astype("<u2"), np.cumsum(np.full(50, 0.1)), name="engine_speed", unit="rpm")],
        more=[[Signal(np.arange(10) * 7.5, (5 * np.arange(10) + 1) / 10, name="torque", unit="Nm")]])
t = ramp(30)
library("widths.mf4", [
    Signal((i * 8).astype("u1"), t, name="u8", unit=""), Signal((i * 8 - 100).astype("i1"), t, name="i8", unit=""),
    Signal((i * 2000).astype("<u2"), t, name="u16", unit=""), Signal((i * 2000 - 30000).astype("<i2"), t, name="i16", unit=""),
    Signal((i * 140000000).astype("<u4"), t, name="u32", unit=""), Signal((i * 70000000 - 1000000000).astype("<i4"), t, name="i32", unit=""),
    Signal((i * 600000000000000001).astype("<u8"), t, name="u64", unit=""), Signal((i * 600000000000000001 - 2**62).astype("<i8"), t, name="i64", unit=""),
    Signal((i / 3).astype("<f4"), t, name="f32", unit=""), Signal(i / 3, t, name="f64", unit=""),
])
library("invalidation.mf4", [
    Signal((800 + i).astype("<u2"), t, name="engine_speed", unit="rpm", invalidation_bits=(i % 5 == 2)),
    Signal((i / 9).astype("<f4"), t, name="lambda", unit="", invalidation_bits=(i % 7 == 0)),
    Signal((i / 2), t, name="torque", unit="Nm"),
], "4.10")
table = {"interpolation": True}
for k, (x, y) in enumerate([(2, 10.0), (5, 33.3), (11, -4.7), (20, 81.1)]):
    table[f"raw_{k}"], table[f"phys_{k}"] = x, y
nearest = {k: v for k, v in table.items() if k != "interpolation"}
texts = {"val_0": 1, "text_0": "first", "val_1": 2, "text_1": "second", "default": b"neutral"}
raw = i.astype("u1")
library("conversions.mf4", [
    Signal(raw, t, name="rational", unit="g/s", conversion={"P1": 0.5, "P2": 3.25, "P3": -7, "P4": 0.01, "P5": 0.3, "P6": 9}),
    Signal(raw, t, name="table", unit="kPa", conversion=table),
    Signal(raw, t, name="nearest", unit="%", conversion=nearest),
    Signal(raw.astype("<f4") / 3, t, name="table_of_floats", unit="kPa", conversion=dict(table)),
])
f = MDF(version="4.10")
f.header.start_time = datetime.datetime(2023, 11, 14)
f.append([Signal(raw, t, name="formula", unit="V", conversion={"formula": "X1*2+1"}),
          Signal(raw % 4, t, name="gear_text", unit="", conversion=texts),
          Signal(np.array([b"abc", b"de"] * 15), t, name="words", unit="", encoding="latin-1"),
          Signal((800 + i).astype("<u2"), t, name="engine_speed", unit="rpm")], common_timebase=True)
f.save(os.path.join(here, "left_out.mf4"), overwrite=True)
f.close()
put("left_out.mf4", [{"time": t, "channels": {  # stated, for the library reads formulas and text
    "formula": {"unit": "V", "left": "its conversion is a formula"}, "gear_text": {"unit": "", "values": ["text"] * 30},
    "words": {"unit": "", "left": "its readings are"}, "engine_speed": {"unit": "rpm", "values": 800 + i}}}])


# --- laid out block by block ---------------------------------------------------------------------------------------
# Two groups whose records are mixed, with numbers of two bytes, beside a third of texts with lengths of their own.
for name, packed in (("mixed.mf4", False), ("mixed_deflated.mf4", True)):
    f = File()
    stream = b""
    for k in range(40):
        stream += struct.pack("<HdHB", 7, k * 0.01, 3200 + k, k)
        if k % 4 == 1:
            stream += struct.pack("<Hdh", 300, k * 0.01 + 0.002, -5 * k)
        if k % 9 == 0:
            stream += struct.pack("<HI", 9, k) + bytes(k)
    if packed:
        parts = [stream[:100], stream[100:333], stream[333:]]  # records lie across blocks
        links = []
        for p in parts:
            z = zlib.compress(p)
            links.append(f.block(b"DZ", [], b"DT" + struct.pack("<BBIQQ", 0, 0, 0, len(p), len(z)) + z))
        second = f.block(b"DL", [0, links[2]], struct.pack("<B3xIQ", 0, 1, 333))
        first = f.block(b"DL", [second, *links[:2]], struct.pack("<B3xIQQ", 0, 2, 0, 100))
        at = f.block(b"HL", [first], struct.pack("<HB5x", 0, 0))
    else:
        at = f.block(b"DT", [], stream)
    words = f.group(0, 5, 0, 0, record=9, flags=1)
    slow = f.group(f.channels([TIME, {"name": "spark_advance", "data": 2, "at": 8, "bits": 16, "unit": "deg",
                                      "cc": f.conversion(1, [1.0, 0.1])}]), 10, 10, record=300, after=words)
    fast = f.group(f.channels([TIME, {"name": "engine_speed", "at": 8, "bits": 16, "unit": "rpm"},
                               {"name": "throttle", "at": 10, "bits": 8, "unit": "%"}]), 40, 11, record=7, after=slow, name=f.text("fast"))
    f.data(fast, at, 2)
    f.save(name)
    k = np.arange(40)
    s = k[k % 4 == 1]
    put(name, [{"time": k * 0.01, "channels": {"engine_speed": {"unit": "rpm", "values": 3200 + k}, "throttle": {"unit": "%", "values": k}}},
               {"time": [v * 0.01 + 0.002 for v in s.tolist()], "channels": {"spark_advance": {"unit": "deg", "values": [0.1 * (-5 * v) + 1.0 for v in s.tolist()]}}}])

# Whole numbers at any bit, of both orders, with and without sign; one spans nine bytes.
f = File()
rows, body = [], []
rng = np.random.default_rng(3)
for bit, bits in ((0, 3), (3, 5), (1, 12), (5, 13), (7, 9), (4, 31), (2, 40), (0, 64), (6, 61), (3, 57)):
    size = (bit + bits + 7) // 8
    for data in range(4):
        rows.append({"name": f"kind{data}_bit{bit}_of{bits}", "at": 8 + len(body), "bit": bit, "bits": bits, "data": data})
        body += [0] * size
records = [bytes(rng.integers(0, 256, len(body), dtype=np.uint8)) for _ in range(20)]
f.data(f.group(f.channels([TIME, *rows]), 20, 8 + len(body)), f.block(b"DT", [], b"".join(struct.pack("<d", k * 0.02) + r for k, r in enumerate(records))))
f.save("bits.mf4")
channels = {}
for r in rows:  # stated from the standard with Python's whole numbers of any length
    size, values = (r["bit"] + r["bits"] + 7) // 8, []
    for rec in records:
        v = int.from_bytes(rec[r["at"] - 8:][:size], "big" if r["data"] % 2 else "little") >> r["bit"] & (1 << r["bits"]) - 1
        values.append(float(v - (1 << r["bits"]) if r["data"] >= 2 and v >> r["bits"] - 1 else v))
    channels[r["name"]] = {"unit": "", "values": values}
put("bits.mf4", [{"time": [k * 0.02 for k in range(20)], "channels": channels}])

# Floats of both orders, with a clock in whole milliseconds.
f = File(411)
f.data(f.group(f.channels([
    {"name": "t", "kind": 2, "sync": 1, "data": 1, "bits": 32, "unit": "ms"},
    {"name": "half", "data": 4, "at": 4, "bits": 16}, {"name": "half_turned", "data": 5, "at": 6, "bits": 16},
    {"name": "single_turned", "data": 5, "at": 8, "bits": 32}, {"name": "double_turned", "data": 5, "at": 12, "bits": 64}]), 25, 20),
    f.block(b"DT", [], b"".join(struct.pack(">I", 20 * k) + struct.pack("<e", k / 7 - 1) + struct.pack(">e", 2.0 ** (k - 24)) +
                                struct.pack(">f", k / 3) + struct.pack(">d", k / 3) for k in range(25))))
f.save("floats.mf4")
put("floats.mf4", [{"time": [20 * k * 1e-3 for k in range(25)], "channels": {
    "half": {"unit": "", "values": [np.float16(k / 7 - 1) for k in range(25)]}, "half_turned": {"unit": "", "values": [2.0 ** (k - 24) for k in range(25)]},
    "single_turned": {"unit": "", "values": [np.float32(k / 3) for k in range(25)]}, "double_turned": {"unit": "", "values": [k / 3 for k in range(25)]}}}])

# Conversions to text that go on to numbers, ranges, and units of the conversion and in XML. Stated from the standard.
f = File()
linear = f.conversion(1, [-40.0, 0.75])
status = f.conversion(7, [254, 255], [f.text("error"), 0, linear])
gears = f.conversion(7, [0, 1, 2], [f.text("N"), f.text("1"), f.text("2"), 0])
ranges = f.conversion(6, [0, 4, 1.5, 5, 9, 2.5, -1.0], unit=f.text("bar"))
float_ranges = f.conversion(6, [0, 4, 1.5, 4, 9, 2.5, -1.0])
range_texts = f.conversion(8, [0, 9, 10, 19], [linear, f.text("high"), 0])
xml = f.comment("<CNunit xmlns='http://www.asam.net/mdf/v4'><TX>kPa</TX></CNunit>")
f.data(f.group(f.channels([TIME, {"name": "status", "at": 8, "cc": status, "unit": b"\xb0C"}, {"name": "gears", "at": 8, "cc": gears},
                           {"name": "ranges", "at": 9, "cc": ranges}, {"name": "ranges_xml", "at": 9, "cc": ranges, "md_unit": xml},
                           {"name": "float_ranges", "at": 10, "data": 4, "bits": 32, "cc": float_ranges},
                           {"name": "range_texts", "at": 9, "cc": range_texts}]), 24, 14),
       f.block(b"DT", [], b"".join(struct.pack("<dBBf", k * 0.5, [0, 1, 2, 3, 253, 254, 255, 77][k % 8], k, k / 2) for k in range(24))))
f.save("partial.mf4")
x = [[0, 1, 2, 3, 253, 254, 255, 77][k % 8] for k in range(24)]
step = lambda v: 1.5 if v <= 4 else 2.5 if v <= 9 else -1.0
put("partial.mf4", [{"time": [k * 0.5 for k in range(24)], "channels": {
    "status": {"unit": "°C", "values": [0.75 * v - 40 if v < 254 else "text" for v in x]},
    "gears": {"unit": "", "values": ["text" for v in x]},
    "ranges": {"unit": "bar", "values": [step(k) for k in range(24)]}, "ranges_xml": {"unit": "kPa", "values": [step(k) for k in range(24)]},
    "float_ranges": {"unit": "", "values": [1.5 if k / 2 < 4 else 2.5 if k / 2 < 9 else -1.0 for k in range(24)]},
    "range_texts": {"unit": "", "values": [0.75 * k - 40 if k <= 9 else "text" for k in range(24)]}}}])

# Groups without time, one over an angle, a virtual clock with a virtual channel, a structure and an array.
f = File()
f.data(f.group(f.channels([{"name": "odd", "at": 0}]), 4, 1), f.block(b"DT", [], bytes(4)))
f.data(f.group(f.channels([{**TIME, "sync": 2, "name": "crank", "unit": "deg"}, {"name": "cylinder_pressure", "at": 8}]), 4, 9), f.block(b"DT", [], bytes(36)))
parts = f.channels([{"name": "engine_speed", "at": 0, "bits": 16, "unit": "rpm"}, {"name": "lambda", "at": 2, "data": 4, "bits": 32}])
array = f.block(b"CA", [0], struct.pack("<BBHIiI", 0, 0, 1, 0, 1, 0) + struct.pack("<Q", 2))
f.data(f.group(f.channels([{"name": "t", "kind": 3, "sync": 1, "bits": 0, "cc": f.conversion(1, [0.25, 0.05]), "unit": "s"},
                           {"name": "count", "kind": 6, "bits": 0}, {"name": "both", "data": 10, "bits": 48, "composed": parts},
                           {"name": "row", "at": 6, "bits": 8, "composed": array}]), 30, 8),
       f.block(b"DT", [], b"".join(struct.pack("<HfBB", 900 + k, 1 + k / 50, k, k) for k in range(30)) + b"tail"))
f.save("clocks.mf4")
put("clocks.mf4", [
    {"left": "", "time": [0.05 * k + 0.25 for k in range(30)], "channels": {"count": {"unit": "", "values": range(30)},
     "engine_speed": {"unit": "rpm", "values": [900 + k for k in range(30)]}, "lambda": {"unit": "", "values": [np.float32(1 + k / 50) for k in range(30)]},
     "row": {"unit": "", "left": "it holds an array"}}},
    {"left": "its master channel is not time but an angle", "channels": {}}, {"left": "it has no master channel", "channels": {}}])

with open(os.path.join(here, "want.json"), "w") as out:
    json.dump(want, out, indent=0, sort_keys=True, ensure_ascii=False)
    out.write("\n")
