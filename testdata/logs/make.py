"""Writes the corpus of small logs in this folder, and beside each the reading that is expected of it.

The expectations are computed here from the trace the log was written from, in stored units, never taken from the
reader. Run it with Python 3 (zstd needs the zstd program) in this folder: python3 make.py
"""
import gzip, io, json, math, os, subprocess, zipfile

def trace(dt=0.2, key_on=0, idle=15, pull=40, coast=15):
    """An invented turbo engine: at rest, idling, one pull at full throttle, coasting."""
    n = key_on + idle + pull + coast
    t = {k: [] for k in ("time rpm road throttle map baro coolant charge oil spark lam retard stft ltft maf pulse duty wg volts eth load "
                         "torque egt rail gear target lamcmd sparkcmd railcmd ambient cam").split()}
    for i in range(n):
        wob = ((i * 7919) % 13 - 6) / 6.0
        if i < key_on:
            s = dict(rpm=0, throttle=8, map=98, spark=0, lam=1.0, maf=0, pulse=0, duty=0, wg=0, load=0, torque=0, egt=300, gear=0, road=0, retard=0)
        elif i < key_on + idle:
            s = dict(rpm=800 + 12 * wob, throttle=8, map=34 + wob, spark=12 + wob, lam=1.0 + 0.012 * wob, maf=3.1 + 0.1 * wob, pulse=2.4 + 0.1 * wob,
                     duty=1.6 + 0.1 * wob, wg=0, load=19 + wob, torque=18 + wob, egt=420 + i, gear=0, road=0, retard=0)
        elif i < key_on + idle + pull:
            f = (i - key_on - idle) / max(1, pull - 1)
            rpm = 2000 + 4400 * f
            boost = 100 * math.sin(math.pi * min(1, 0.2 + f * 0.9))
            s = dict(rpm=rpm, throttle=100, map=98 + boost + wob, spark=6 + 16 * f + 0.3 * wob, lam=0.88 - 0.06 * f + 0.003 * wob,
                     maf=30 + 170 * f + wob, pulse=9 + 4 * f + 0.1 * wob, duty=25 + 55 * f + 0.3 * wob, wg=20 + 40 * f,
                     load=110 + 60 * math.sin(math.pi * f) + wob, torque=280 + 40 * math.sin(math.pi * f) + wob, egt=500 + 350 * f, gear=3, road=100 * f,
                     retard=1.5 if 12 <= i - key_on - idle < 16 else 0.5 if 16 <= i - key_on - idle < 20 else 0)
        else:
            f = (i - key_on - idle - pull) / max(1, coast - 1)
            s = dict(rpm=6300 - 3000 * f, throttle=8, map=28 + wob, spark=25 + wob, lam=1.6 + 0.1 * f, maf=8 - 3 * f + 0.1 * wob, pulse=0.8 + 0.05 * wob, duty=2 + 0.1 * wob,
                     wg=0, load=14 + wob, torque=-30 + wob, egt=800 - 80 * f, gear=3, road=100 - 40 * f, retard=0)
        s.update(time=i * dt, baro=98.0, coolant=90 + 0.5 * wob, charge=32 + 12 * i / n + 0.2 * wob, oil=96 + 0.02 * i * dt, stft=2.34 * wob, ltft=-3.12,
                 volts=13.9 + 0.05 * wob, eth=10.0, rail=5000 + 100 * s["throttle"] + 20 * wob, target=s["map"] + 2 if s["throttle"] > 50 else 100,
                 lamcmd=0.85 if s["throttle"] > 50 else 1.0, sparkcmd=s["spark"] + s["retard"], railcmd=5050 + 100 * s["throttle"], ambient=18.0, cam=20.0 + wob)
        for k in t:
            t[k].append(s[k])
    return t

CH = dict(rpm="engine_speed", road="vehicle_speed", throttle="throttle_position", map="manifold_pressure", baro="barometric_pressure",
          coolant="coolant_temperature", charge="charge_temperature", oil="oil_temperature", spark="spark_advance", lam="lambda", retard="knock_retard",
          stft="short_term_trim", ltft="long_term_trim", maf="mass_air_flow", pulse="injector_pulse", duty="injector_duty", wg="wastegate_duty",
          volts="module_voltage", eth="ethanol_share", load="absolute_load", torque="torque", egt="exhaust_temperature", rail="rail_pressure", gear="gear",
          target="manifold_pressure_target", lamcmd="lambda_commanded", sparkcmd="spark_commanded", railcmd="rail_pressure_target", ambient="ambient_temperature", cam="intake_cam")

ident = lambda v: v
F = lambda c: c * 9 / 5 + 32                      # definition of the Fahrenheit scale
PSI = lambda k: k / 6.894757                      # NIST SP 811
PSIG = lambda k: (k - 98.0) / 6.894757
MPH = lambda k: k / 1.609344
LBMIN = lambda g: g / 7.559873                    # g/s in lb/min, NIST SP 811

def num(v, places=3, dec="."):
    return f"{v:.{places}f}".replace(".", dec)

class Log:
    def __init__(self, name, cols, t=None, delim=",", dec=".", places=4, time=("Time (s)", ident), end="\n", quote=False, units=None, pre=(), post=(), trail=False, space=False):
        """cols: (header, key or None, function of the stored value or of the row)."""
        self.name, self.cols, self.t = name, cols, t or trace()
        self.n = len(self.t["rpm"])
        rows, names = [], []
        if time:
            names.append(time[0])
        names += [c[0] for c in cols]
        for i in range(self.n):
            r = []
            if time:
                v = time[1](self.t["time"][i])
                r.append(v if isinstance(v, str) else num(v, places, dec))
            for h, key, fn in cols:
                v = fn(self.t[key][i]) if key else fn(i)
                r.append(v if isinstance(v, str) else num(v, places, dec))
            rows.append(r)
        self.names, self.rows, self.delim, self.end, self.quote = names, rows, delim, end, quote
        self.units, self.pre, self.post, self.trail, self.space = units, list(pre), list(post), trail, space
        self.want = {"columns": {h: CH.get(k, "") if k else "" for h, k, _ in cols}, "delimiter": delim, "decimal": dec}
        self.keys = {CH[k]: k for _, k, _ in cols if k}
        self.skip = set()

    def line(self, r, data=True):
        q = [f'"{x}"' if self.quote or self.delim in x and x[0] != '"' else x for x in r]
        sep = self.delim + (" " if self.space and data else "")
        return sep.join(q) + (self.delim if self.trail and data else "")

    def text(self):
        out = list(self.pre) + [self.line(self.names, False)]
        if self.units:
            out.append(self.line(self.units, False))
        out += [self.line(r) for r in self.rows] + list(self.post)
        return self.end.join(out) + self.end

    def expect(self, rows=None, values=True, **more):
        rows = rows if rows is not None else list(range(self.n))
        self.want.setdefault("runs", []).append({"rows": len(rows), "duration": round(self.t["time"][rows[-1]] - self.t["time"][rows[0]], 6)})
        if values:
            picks = sorted({0, len(rows) // 3, len(rows) // 2, len(rows) - 1})
            self.want["runs"][-1]["values"] = {c: {str(p): round(self.t[k][rows[p]], 4) for p in picks} for c, k in self.keys.items() if c not in self.skip and self.want["columns"].get(self.header(k)) == c}
        self.want.update(more)
        return self

    def header(self, key):
        return next(h for h, k, _ in self.cols if k == key)

    def left_out(self, header, reason, truth=None):
        if truth is None:
            truth = self.want["columns"][header]
        self.want["columns"][header] = ""
        self.want.setdefault("truth", {})[header] = truth
        self.want.setdefault("reasons", {})[header] = reason
        return self

    def reason(self, header, text):
        self.want.setdefault("reasons", {})[header] = text
        return self

    def write(self, ext="csv", pack=None, text=None, encoding="utf-8"):
        data = (text if text is not None else self.text()).encode(encoding)
        put(f"{self.name}.{ext}", data, pack, self.want)

def put(file, data, pack, want):
    if pack:
        data = pack(data)
    open(file, "wb").write(data)
    json.dump(want, open(file + ".want.json", "w"), indent=1, ensure_ascii=False)
    open(file + ".want.json", "a").write("\n")

BASE = [("Engine Speed (rpm)", "rpm", ident), ("Throttle Position (%)", "throttle", ident), ("Manifold Absolute Pressure (kPa)", "map", ident),
        ("Coolant Temperature (°C)", "coolant", ident), ("Charge Temperature (°C)", "charge", ident), ("Spark Advance (deg)", "spark", ident),
        ("Lambda", "lam", ident), ("Knock Retard (deg)", "retard", ident)]

# --- layouts -------------------------------------------------------------------------------------------------------
Log("comma", BASE).expect(time_unit="s").write()
Log("semicolon_decimal_comma", BASE, delim=";", dec=",").expect().write()
Log("tab_units_row", [(h.split(" (")[0], k, f) for h, k, f in BASE], delim="\t", time=("Time", ident),
    units=["s", "rpm", "%", "kPa", "°C", "°C", "° BTDC", "lambda", "deg"]).expect(units_line=2).write("txt")
Log("pipe_square_brackets", [(h.replace("(", "[").replace(")", "]"), k, f) for h, k, f in BASE], delim="|", time=("Time [s]", ident)).expect().write("txt")
Log("quoted_decimal_comma", BASE, dec=",", quote=True).expect().write()
Log("thousands", [("Engine Speed (rpm)", "rpm", lambda v: f'"{v:,.1f}"'), ("Throttle Position (%)", "throttle", ident), ("MAP (kPa)", "map", ident),
    ("Rail Pressure (kPa abs)", "rail", lambda v: f'"{v:,.1f}"')]).expect(tolerance=0.06).write()
Log("thousands_point", [("Engine Speed (rpm)", "rpm", lambda v: f"{v:,.1f}".replace(",", "x").replace(".", ",").replace("x", ".")), ("Throttle Position (%)", "throttle", ident), ("MAP (kPa)", "map", ident)],
    delim=";", dec=",").expect(tolerance=0.06).write()
Log("preamble", BASE, pre=["Session export", "Logger,unit 3", "Rate,5", "", "comment: cold morning, second pull"]).expect(findings=["layout"], header_line=6).write()
Log("footer", BASE, post=["", "End of log", "66 rows written"]).expect(findings=["layout"]).write()
Log("trailing_delimiter", BASE, trail=True, space=True, end="\r\n").expect().write()
Log("carriage_returns", BASE, end="\r").expect().write()
Log("bom", BASE).expect(encoding="UTF-8 with byte order mark").write(encoding="utf-8-sig")
Log("utf16le", BASE, delim="\t").expect(encoding="UTF-16LE").write("txt", encoding="utf-16")
l = Log("utf16be", BASE).expect(encoding="UTF-16BE"); l.write(text="\ufeff" + l.text(), encoding="utf-16-be")
Log("utf16le_no_mark", BASE).expect(encoding="UTF-16LE").write(encoding="utf-16-le")
Log("windows1252", BASE).expect(encoding="Windows-1252").write(encoding="cp1252")
Log("packed_gzip", BASE).expect(compression="gzip").write("csv.gz", pack=lambda d: gzip.compress(d, mtime=0))
Log("packed_zstd", BASE).expect(compression="zstd").write("csv.zst", pack=lambda d: subprocess.run(["zstd", "-q", "-c"], input=d, stdout=subprocess.PIPE, check=True).stdout)
def zipped(d):
    b = io.BytesIO()
    with zipfile.ZipFile(b, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr(zipfile.ZipInfo("log.csv", (2026, 1, 1, 0, 0, 0)), d, zipfile.ZIP_DEFLATED)
    return b.getvalue()
Log("packed_zip", BASE).expect(compression="zip").write("zip", pack=zipped)
l = Log("ragged", BASE).expect(findings=["layout"], values=True)
lines = l.text().split("\n"); lines[5] = lines[5].rsplit(",", 2)[0]; lines[9] += ",7,7"
l.want["runs"][0]["values"] = {c: {k: v for k, v in d.items() if k != "4"} for c, d in l.want["runs"][0]["values"].items()}
l.write(text="\n".join(lines))
l = Log("truncated", BASE)
rows = list(range(l.n - 1)); l.expect(rows, findings=["layout"])
txt = l.text().rstrip("\n"); l.write(text=txt[:-30])
l = Log("repeated_header", BASE)
l.expect(list(range(40))).expect(list(range(40, l.n)), findings=["layout"])
lines = l.text().split("\n"); l.write(text="\n".join(lines[:41] + [lines[0]] + lines[41:]))
Log("empty_cells", [(h, k, (lambda v, f=f: "N/A" if abs(v - 32) < 0.01 else num(v, 4))) if k == "charge" else (h, k, f) for h, k, f in BASE]).expect().write()
Log("units_behind_separators", [("Engine Speed - rpm", "rpm", ident), ("Throttle/%", "throttle", ident), ("MAP_kPa", "map", ident), ("coolantTempC", "coolant", ident),
    ("IAT degC", "charge", ident), ("Air flow lb/min", "maf", LBMIN), ("Battery V", "volts", ident), ("Inj PW, ms", "pulse", ident)], time=("Time ms", lambda s: s * 1000)).expect(time_unit="ms").write()
Log("word_order", [("Speed_Engine", "rpm", ident), ("position of throttle %", "throttle", ident), ("absolutePressureManifold [kPa]", "map", ident), ("TEMP COOLANT (deg C)", "coolant", ident),
    ("Temp, Charge Air (C)", "charge", ident), ("AdvanceSpark", "spark", ident), ("Retard - Knock (°)", "retard", ident), ("fuelTrimLongTerm %", "ltft", ident)], time=("elapsedTime[s]", ident)).expect().write()
Log("abbreviations", [("RPM", "rpm", ident), ("TPS (%)", "throttle", ident), ("MAP (kPa)", "map", ident), ("ECT (°C)", "coolant", ident), ("IAT (°C)", "charge", ident), ("MAF (g/s)", "maf", ident),
    ("VSS (km/h)", "road", ident), ("STFT (%)", "stft", ident), ("LTFT (%)", "ltft", ident), ("KR (deg)", "retard", ident), ("WGDC (%)", "wg", ident), ("EGT (°C)", "egt", ident), ("IDC (%)", "duty", ident),
    ("IPW (ms)", "pulse", ident), ("FRP (kPa abs)", "rail", ident), ("BARO (kPa)", "baro", ident)]).expect().reason("IAT (°C)", "stands in").write()
Log("targets", [("RPM", "rpm", ident), ("TPS (%)", "throttle", ident), ("Baro (kPa)", "baro", ident), ("Boost (psi)", "map", PSIG), ("Boost Target (psi)", "target", PSIG), ("Lambda Actual", "lam", ident), ("Lambda Commanded", "lamcmd", ident),
    ("Ignition Timing Actual (deg)", "spark", ident), ("Ignition Timing Commanded (deg)", "sparkcmd", ident), ("Fuel Rail Pressure (bar abs)", "rail", lambda v: v / 100), ("Fuel Rail Pressure Desired (bar abs)", "railcmd", lambda v: v / 100)],
    places=5).expect(tolerance=0.01).write()

# one reading a row, each channel on its own rhythm
def long(names, every):
    t = trace(dt=0.1, idle=40, pull=60, coast=40)
    out = ["Time [s];Channel;Value;Unit"]
    for i in range(140):
        for (name, unit, key, fn) in names:
            if i % every.get(key, 1) == 0:
                out.append(f"{t['time'][i]:.2f};{name};{fn(t[key][i]):.4f};{unit}".replace(".", ","))
    return t, "\n".join(out) + "\n"
names = [("Engine Speed", "rpm", "rpm", ident), ("Coolant Temp", "°F", "coolant", F), ("MAP", "kPa", "map", ident), ("Boost Error", "kPa", "stft", ident), ("Throttle", "%", "throttle", ident)]
t, text = long(names, {"coolant": 10})
picks = [0, 35, 70, 139]
put("long.csv", text.encode("utf-8"), None, {"columns": {"Engine Speed (rpm)": "engine_speed", "Coolant Temp (°F)": "coolant_temperature", "MAP (kPa)": "manifold_pressure", "Boost Error (kPa)": "", "Throttle (%)": "throttle_position"},
    "delimiter": ";", "decimal": ",", "runs": [{"rows": 140, "duration": 13.9, "values": {c: {str(p): round(t[k][p], 3) for p in picks} for c, k in (("engine_speed", "rpm"), ("manifold_pressure", "map"), ("throttle_position", "throttle"))}
    | {"coolant_temperature": {"20": round(t["coolant"][20], 3), "25": round(t["coolant"][20], 3), "130": round(t["coolant"][130], 3)}}}], "findings": ["held"]})
l = Log("two_rates", [(h, k, f) for h, k, f in BASE if k != "charge"] + [("Oil Temperature (°C)", None, lambda i: num(95 + i * 0.01, 2) if i % 5 == 0 else "")])
l.want["columns"]["Oil Temperature (°C)"] = "oil_temperature"
l.expect(findings=["held"]); l.want["runs"][0]["values"]["oil_temperature"] = {"0": 95.0, "5": 95.05, "8": 95.05, "65": 95.65}; l.write()

# --- time ----------------------------------------------------------------------------------------------------------
Log("time_ms_no_unit", BASE, time=("Time", lambda s: f"{round(s * 1000)}")).expect(time_unit="ms").write()
def clock(s, start=23 * 3600 + 59 * 60 + 55):
    s = (start + s) % 86400
    return f"{int(s // 3600):02d}:{int(s // 60) % 60:02d}:{s % 60:06.3f}"
Log("clock_midnight", BASE, time=("Clock", clock)).expect(time_unit="clock").write()
Log("clock_12_hours", BASE, time=("Time of day", lambda s: (lambda h, r: f"{(h % 12) or 12}:{r} {'AM' if h < 12 else 'PM'}")(int(clock(s)[:2]), clock(s)[3:]))).expect(time_unit="clock").write()
Log("datetime_zone", BASE, time=("Timestamp", lambda s: f"2026-03-04T12:00:{s % 60:06.3f}+01:00")).expect(time_unit="date-time").write()
Log("datetime_day_first", BASE, time=("Date Time", lambda s: ("03.04.2026 " if s < 5 else "04.04.2026 ") + clock(s))).expect(time_unit="date-time").write()
Log("epoch_ms", BASE, time=("timestamp", lambda s: f"{1772622000000 + round(s * 1000)}")).expect(time_unit="ms").write()
Log("whole_second_clock", BASE, time=("Time (s)", lambda s: f"{int(s + 1e-9)}")).expect(time_unit="s (whole seconds)").write()
l = Log("run_time_zero_while_stopped", [("ENGINE_RPM ()", "rpm", ident), ("VEHICLE_SPEED ()", "road", ident), ("THROTTLE ()", "throttle", ident), ("ENGINE_COOLANT_TEMPERATURE ()", "coolant", ident),
    ("INTAKE_MANIFOLD_PRESSURE ()", "map", ident), ("ABSOLUTE_BAROMETRIC_PRESSURE ()", "baro", ident), ("INTAKE_AIR_TEMPERATURE ()", "charge", ident), ("TIMING_ADVANCE ()", "spark", ident),
    ("PEDAL_D ()", None, lambda i: 16.0 + (i * 7919) % 13), ("PEDAL_E ()", None, lambda i: 32.0 + (i * 7919) % 13), ("COMMANDED_EQUIVALENCE_RATIO ()", None, lambda i: 0.0), ("ABSOLUTE_THROTTLE_B ()", None, lambda i: 45.0 + i % 3),
    ("TIME_RUN_WITH_MIL_ON ()", None, lambda i: 0.0), ("DISTANCE_SINCE_CODES_CLEARED ()", None, lambda i: 51.0)], t=trace(dt=0.5, key_on=9), trail=True, space=True,
    time=("ENGINE_RUN_TMIE ()", lambda s: f"{max(0, int(s - 4.5 + 1e-9)):.6f}"))
l.want["columns"]["PEDAL_D ()"] = "pedal_position"
l.left_out("COMMANDED_EQUIVALENCE_RATIO ()", "zero", "").left_out("PEDAL_E ()", "second accelerator sensor", "").left_out("ABSOLUTE_THROTTLE_B ()", "second throttle sensor", "")
l.reason("INTAKE_AIR_TEMPERATURE ()", "stands in").reason("INTAKE_MANIFOLD_PRESSURE ()", "at rest").reason("PEDAL_D ()", "first accelerator sensor")
l.expect(time_unit="run time (whole seconds)", findings=["time"]).write()
l = Log("restart_without_header", BASE)
l.expect(list(range(0, 40))).expect(list(range(40, l.n)))
lines = l.text().split("\n")
for i in range(40, l.n):
    c = lines[i + 1].split(",", 1); lines[i + 1] = f"{(i - 40) * 0.2:.4f},{c[1]}"
l.write(text="\n".join(lines))
l = Log("time_backwards", BASE)
lines = l.text().split("\n"); c = lines[11].split(",", 1); lines[11] = "0.5," + c[1]; lines.insert(20, lines[19])
rows = [i for i in range(l.n) if i != 10]; l.expect(rows, findings=["time_backwards", "duplicate"]).write(text="\n".join(lines))
l = Log("rate_from_map", BASE, time=None)
l.expect(map="rate_from_map.yaml", time_unit="row number").write()
open("rate_from_map.yaml", "w").write("files:\n  - pattern: \"rate_*.csv\"\n    rate: 5  # samples a second\n")
Log("no_time", BASE, time=None).want.update(error="no time column")
l = Log("no_time", BASE, time=None); l.want = {"error": "no time column"}; l.write()

# --- units and references --------------------------------------------------------------------------------------------
Log("imperial", [("Engine Speed (rpm)", "rpm", ident), ("Vehicle Speed (mph)", "road", MPH), ("Throttle (%)", "throttle", ident), ("Barometric Pressure (inHg)", "baro", lambda k: k / 3.386389), ("Boost (psig)", "map", PSIG),
    ("Coolant Temp (°F)", "coolant", F), ("Oil Temp (deg F)", "oil", F), ("Mass Air Flow (lb/min)", "maf", LBMIN), ("Torque (lb-ft)", "torque", lambda v: v / 1.355818)], places=5).expect(tolerance=0.01).write()
Log("boost_stated_barometer", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Boost Pressure (bar)", "map", lambda k: (k - 98) / 100)]).expect(barometer=98, tolerance=0.02).reason("Boost Pressure (bar)", "below zero is vacuum").write()
l = Log("boost_no_barometer", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Boost Pressure (bar)", "map", lambda k: (k - 98) / 100)])
l.expect(tolerance=0.04, findings=["assumption"]).reason("Boost Pressure (bar)", "the assumed barometric pressure of 99 kPa").write()
l = Log("boost_pull_only", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Baro (kPa)", "baro", ident), ("Boost (kPa)", "map", ident)], t=trace(idle=0, coast=0))
l.left_out("Boost (kPa)", "neither").expect().write()
l = Log("gauge_marked_absolute", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Baro (kPa)", "baro", ident), ("MAP (psia)", "map", PSIG)], t=trace(key_on=8))
l.left_out("MAP (psia)", "written as absolute but").expect().write()
Log("psi_absolute_key_on", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("MAP (psi)", "map", PSI)], t=trace(key_on=8), places=5).expect(tolerance=0.01).reason("MAP (psi)", "at rest").write()
Log("map_no_unit", [("RPM", "rpm", ident), ("Throttle", "throttle", ident), ("MAP", "map", lambda k: k / 100)], t=trace(key_on=8), places=5).expect(tolerance=0.01).reason("MAP", "only bar fits").write()
Log("fahrenheit_no_unit", [("RPM", "rpm", ident), ("Coolant Temp", "coolant", F), ("Oil Temp", "oil", F), ("Charge Temp", "charge", F)], places=5).expect(tolerance=0.01).reason("Charge Temp", "other temperatures").write()
def warming(rows):
    t = trace(dt=2, idle=rows, pull=10, coast=5)
    t["coolant"] = [20 + 0.4 * i for i in range(len(t["time"]))]
    return t
l = Log("warming_no_unit", [("RPM", "rpm", ident), ("Coolant Temp", "coolant", ident), ("IAT", "charge", ident)], t=warming(60)); l.left_out("Coolant Temp", "still changes").left_out("IAT", "no other temperature").expect().write()
l = Log("warming_whole_degrees", [("RPM", "rpm", ident), ("Barometric Pressure", "baro", ident), ("Coolant Temp", "coolant", lambda v: f"{math.floor(v)}"), ("IAT", "charge", ident)], t=warming(80)); l.expect(tolerance=0.05, findings=["cold"]).reason("Coolant Temp", "every whole number").write()
l = Log("temperature_open", [("RPM", "rpm", ident), ("Charge Temp", "charge", ident)]); l.left_out("Charge Temp", "no other temperature").expect().write()
l = Log("unknown_unit", [("RPM", "rpm", ident), ("Coolant Temp [xyz]", "coolant", ident), ("Lambda", "lam", ident)], units=None); l.left_out("Coolant Temp [xyz]", "xyz").expect().write()
l = Log("wrong_quantity", [("RPM", "rpm", ident), ("Throttle Position (V)", None, lambda i: 0.5 + (i % 40) / 10), ("Lambda", "lam", ident)]); l.left_out("Throttle Position (V)", "not a unit of ratio", "").expect().write()
l = Log("stated_unit_impossible", [("RPM", "rpm", ident), ("Coolant Temp (°C)", "coolant", F), ("Lambda", "lam", ident)]); l.left_out("Coolant Temp (°C)", "do not fit").expect().write()
Log("fractions", [("RPM", "rpm", ident), ("Throttle", "throttle", lambda v: v / 100), ("Wastegate Duty", "wg", lambda v: v / 100), ("Short Term Fuel Trim", "stft", lambda v: 1 + v / 100)], places=6).expect(tolerance=0.01).reason("Short Term Fuel Trim", "multiply").write()
l = Log("percent_that_is_fraction", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", lambda v: v / 100), ("Lambda", "lam", ident)]); l.left_out("Throttle (%)", "as fractions do").expect().write()
Log("afr", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("AFR", "lam", lambda v: v * 14.7)], places=5).expect(findings=["assumption"]).write()
Log("afr_stated_fuel", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("A/F Ratio", "lam", lambda v: v * 9.76)], places=5).expect(stoich=9.76).write()
l = Log("lambda_that_is_afr", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Lambda (lambda)", "lam", lambda v: v * 14.7)]); l.left_out("Lambda (lambda)", "its median is").expect().write()
l = Log("narrow_band", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Lambda Sensor", None, lambda i: 0.1 if i % 5 < 2 else 0.8)]); l.left_out("Lambda Sensor", "narrow-band", "").expect().write()
Log("equivalence_fuel_air", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Equivalence Ratio", "lam", lambda v: 1 / v)], places=6).expect().reason("Equivalence Ratio", "above 1 is rich").write()
Log("equivalence_air_fuel", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Commanded Equivalence Ratio", "lamcmd", ident)]).expect().reason("Commanded Equivalence Ratio", "below 1 is rich").write()
l = Log("equivalence_open", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Equivalence Ratio", None, lambda i: 1 + 0.004 * (i % 5 - 2))]); l.left_out("Equivalence Ratio", "neither full throttle", "").expect().write()
Log("retard_negative", [("RPM", "rpm", ident), ("Knock Retard (deg)", "retard", lambda v: -v)]).expect().reason("Knock Retard (deg)", "turned to positive").write()
l = Log("retard_mixed", [("RPM", "rpm", ident), ("Knock Retard (deg)", None, lambda i: (1.0, -1.0, 0.0)[i % 3])]); l.left_out("Knock Retard (deg)", "which sign", "").expect().write()
l = Log("retard_cylinders", [("RPM", "rpm", ident), ("Knock Retard Cyl 1 (deg)", "retard", ident), ("Knock Retard Cyl 2 (deg)", None, lambda i: 0.0), ("Knock Retard Cyl 3 (deg)", None, lambda i: 2.5 if i == 5 else 0.0)])
for c in (2, 3): l.want["columns"][f"Knock Retard Cyl {c} (deg)"] = "knock_retard"
l.expect().reason("Knock Retard Cyl 2 (deg)", "largest of 3"); l.want["runs"][0]["values"]["knock_retard"]["5"] = 2.5; l.write()
Log("spark_after_centre", [("RPM", "rpm", ident), ("Spark Advance (deg ATDC)", "spark", lambda v: -v)]).expect().write()

t = trace(); floor = [i for i in range(70) if t["map"][i] < 98.2]
l = Log("boost_stops_at_zero", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Boost (psi)", "map", lambda k: max(0.0, PSIG(k)))], places=5); l.skip = {"manifold_pressure"}
l.expect(barometer=98, findings=["clipped"], removed={"manifold_pressure": floor}); l.want["runs"][0]["values"]["manifold_pressure"] = {str(i): round(t["map"][i], 3) for i in (25, 35, 45)}; l.write()
l = Log("spark_sign_open", [("RPM", "rpm", ident), ("Spark Advance (deg)", "spark", lambda v: -v)]); l.left_out("Spark Advance (deg)", "sign").expect().write()
l = Log("map_overrules", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("Baro (kPa)", "baro", ident), ("Boost", "map", ident)], t=trace(idle=0, coast=0))
l.expect(map="map_overrules.yaml").reason("Boost", "absolute").write()
open("map_overrules.yaml", "w").write("files:\n  - pattern: map_*.csv\n    columns:\n      - {header: Boost, channel: manifold_pressure, unit: kPa abs}\n")

# --- names ----------------------------------------------------------------------------------------------------------
l = Log("two_claims_disagree", [("RPM", "rpm", ident), ("Coolant Temp (°C)", "coolant", ident), ("Engine Coolant Temp (°C)", None, lambda i: 60.0 + i % 20), ("Lambda", "lam", ident)])
l.left_out("Coolant Temp (°C)", "ambiguous").left_out("Engine Coolant Temp (°C)", "ambiguous", "").expect().write()
l = Log("two_claims_agree", [("RPM", "rpm", ident), ("Engine Speed (rpm)", None, lambda i: trace()["rpm"][i]), ("Lambda", "lam", ident)]); l.left_out("RPM", "instead", ""); l.want["columns"]["Engine Speed (rpm)"] = "engine_speed"; l.expect().write()
l = Log("banks", [("RPM", "rpm", ident), ("LTFT Bank 1 (%)", "ltft", ident), ("LTFT Bank 2 (%)", None, lambda i: 4.0), ("STFT B1 (%)", "stft", ident), ("STFT B2 (%)", None, lambda i: -1.0 + i % 3)])
l.left_out("LTFT Bank 2 (%)", "bank 2", "").left_out("STFT B2 (%)", "bank 2", "").expect().write()
l = Log("other_quantities", [("Turbo Speed (rpm)", None, lambda i: 90000.0 + i), ("Transmission Oil Temp (°C)", None, lambda i: 80.0), ("Throttle Position Voltage (V)", None, lambda i: 1.0 + i % 3), ("RPM Limit (rpm)", None, lambda i: 7000.0),
    ("Fuel Pressure (kPa)", None, lambda i: 400.0 + i % 5), ("Boost Error (kPa)", None, lambda i: 1.0 * (i % 7)), ("O2 Sensor 1 Voltage (V)", None, lambda i: 0.4 + 0.1 * (i % 3)), ("Wheel Torque (Nm)", None, lambda i: 900.0), ("Lateral Acceleration (g)", None, lambda i: 0.1),
    ("Air Temperature (°C)", None, lambda i: 25.0), ("Wastegate Position (%)", None, lambda i: 50.0 + i % 9), ("Spark Cyl 1 (deg)", None, lambda i: 12.0), ("RPM", "rpm", ident), ("Idle RPM Target (rpm)", None, lambda i: 800.0), ("Engine Torque (%)", None, lambda i: 50.0), ("Load (g/rev)", None, lambda i: 1.0 + i % 3 / 10)])
l.expect().write()
l = Log("misspelt", [("Engien Speed (rpm)", "rpm", ident), ("Coolent Temperature (°C)", "coolant", ident), ("Throtle Position (%)", "throttle", ident), ("Lambda", "lam", ident)], time=("Tiem (s)", ident)); l.expect().reason("Coolent Temperature (°C)", "read as").write()
l = Log("privacy", [("RPM", "rpm", ident), ("Latitude", None, lambda i: 48.1 + i / 1e4), ("Longitude", None, lambda i: 11.5 + i / 1e4), ("GPS Speed (km/h)", None, lambda i: 50.0), ("VIN", None, lambda i: "ZZZTE5T0000000017"), ("Car", None, lambda i: "ZZZTE5T0000000017"), ("Driver", None, lambda i: "A. N. Other"), ("Lambda", "lam", ident)],
    pre=["Vehicle ZZZTE5T0000000017 log"])
for h in ("Latitude", "Longitude", "GPS Speed (km/h)"): l.left_out(h, "where the car was", "")
l.left_out("VIN", "which car", "").left_out("Car", "identification", "").left_out("Driver", "who", ""); l.expect(findings=["privacy"], absent=["ZZZTE5T0000000017", "48.1", "Other"]).write()
l = Log("user_map", [("Sensor A", "rpm", lambda v: v / 2), ("Sensor B", "map", lambda k: (k - 20) / 50), ("Lambda", None, lambda i: 0.5 + i % 2), ("WB volts", "lam", lambda v: (v - 0.5) / 0.3), ("Coolant Temp (°C)", "coolant", ident)], places=6, time=("Tick", lambda s: f"{round(s * 1e6)}"))
l.want["columns"]["Lambda"] = ""; l.want.setdefault("reasons", {})["Lambda"] = "left out by channels.yaml"
l.expect(map="user_map.yaml", time_unit="µs", lags={"lambda": 0.3}, tolerance=0.01).write()
open("user_map.yaml", "w").write("""# a user's own map
files:
  - pattern: "user_*.csv"
    time: {header: tick, unit: us}
    columns:
      - {header: "sensor a", channel: engine_speed, unit: rpm, scale: 2}
      - {header: "Sensor B", channel: manifold_pressure, unit: kPa abs, scale: 50, offset: 20}
      - {header: "Lambda", channel: none}
      - {header: "WB volts", channel: lambda, unit: lambda, scale: 0.3, offset: 0.5, lag: 0.3}
""")

# --- faults -----------------------------------------------------------------------------------------------------------
def spoil(key, rows, value, t=None):
    t = t or trace()
    for i in rows: t[key][i] = value
    return t
t = trace()
l = Log("fault_spike", BASE, t=spoil("coolant", [30], 150.0)); l.skip = {"coolant_temperature"}; l.expect(findings=["step"], removed={"coolant_temperature": [30]}).write()
l = Log("fault_range", BASE, t=spoil("map", [25, 26], 900.0)); l.skip = {"manifold_pressure"}; l.expect(findings=["out_of_range"], removed={"manifold_pressure": [25, 26]}).write()
l = Log("fault_stuck", BASE, t=spoil("map", range(70), 98.0)); l.skip = {"manifold_pressure"}; l.expect(findings=["stuck"], removed={"manifold_pressure": list(range(70))}).write()
t = trace(pull=80, dt=0.25)
l = Log("fault_frozen", [b for b in BASE if b[1] != "lam"] + [("Mass Air Flow (g/s)", "maf", ident)], t=spoil("maf", range(30, 80), 77.0, t)); l.skip = {"mass_air_flow"}; l.expect(findings=["frozen"], removed={"mass_air_flow": list(range(30, 80))}).write()
t = trace(); t["map"] = [min(180.0, v) for v in t["map"]]; top = [i for i, v in enumerate(t["map"]) if v == 180.0]
l = Log("fault_clipped", BASE, t=t); l.skip = {"manifold_pressure"}; l.expect(findings=["clipped"], removed={"manifold_pressure": [i for i in range(top[0] + 6, top[0] + 12)]}).write()
t = trace(dt=0.5, idle=150, pull=40, coast=60); t["coolant"], t["charge"] = t["charge"], t["coolant"]
l = Log("fault_crossed", BASE, t=t); l.skip = {"coolant_temperature", "charge_temperature"}; l.expect(findings=["crossed"], removed={"coolant_temperature": [200], "charge_temperature": [200]}).write()
t = trace(); t["coolant"] = [20 + 0.3 * i for i in range(70)]
Log("cold_engine", BASE, t=t).expect(findings=["cold"]).write()
t = trace(); t["time"] = [v + (30 if i >= 40 else 0) for i, v in enumerate(t["time"])]
Log("gap", BASE, t=t).expect(findings=["gap"]).write()

# --- more of each --------------------------------------------------------------------------------------------------------
def grouped(v, mark):
    return f"{v:,.1f}".replace(",", mark)
for name, mark in (("thousands_apostrophe", "'"), ("thousands_space", "\u202f")):
    Log(name, [("Engine Speed (rpm)", "rpm", lambda v, m=mark: grouped(v, m)), ("Throttle Position (%)", "throttle", ident), ("Rail Pressure (kPa abs)", "rail", lambda v, m=mark: grouped(v, m))], delim=";").expect(tolerance=0.06).write()
l = Log("line_break_in_header", BASE).expect(findings=["layout"])
l.write(text=l.text().replace(l.line(l.names), ",".join('"' + h.replace(" (", "\n(") + '"' for h in l.names), 1))
l = Log("line_break_in_cell", BASE + [("Remark", None, lambda i: '"second try,\nthird gear"' if i == 20 else '"says ""go"""' if i == 30 else "")]).expect(findings=["layout"])
l.write()
l = Log("quote_not_closed", BASE + [("Remark", None, lambda i: '"pull "two" starts' if i == 20 else '5" hose' if i == 25 else '"' if i in (30, 31) else "")])
l.expect(findings=["layout"]).write()
# as a converter of binary measurement files writes it: names, then units of which some are empty
Log("timestamps_units_row", [("EngineSpeed", "rpm", ident), ("ThrottlePosition", "throttle", ident), ("ManifoldAbsolutePressure", "map", ident), ("CoolantTemperature", "coolant", ident), ("Lambda", "lam", ident)],
    time=("timestamps", ident), units=["s", "rpm", "%", "kPa", "°C", ""], end="\r\n").expect(units_line=2, time_unit="s").write()
Log("datetime_no_zone", BASE, time=("Timestamp", lambda s: f"2026-03-04 12:00:{s % 60:06.3f}")).expect(time_unit="date-time").write()
l = Log("date_and_clock", [("Date", None, lambda i: "2026-03-04" if i < 25 else "2026-03-05")] + BASE, time=("Time", clock))
l.expect(time_unit="clock").write()
t = trace(); t["time"] = [v + (1 if i >= 40 else 0) for i, v in enumerate(t["time"])]
Log("sample_number", BASE, t=t, time=("Sample No.", lambda s: f"{round(s * 5) + 1}")).expect(map="sample_number.yaml", time_unit="sample number").write()
open("sample_number.yaml", "w").write("files:\n  - pattern: \"sample_*.csv\"\n    rate: 5  # samples a second\n")
Log("flow_by_displacement", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("MAP (kPa)", "map", ident), ("MAF", "maf", lambda g: g * 3.6)]).expect(displacement=2.0).reason("MAF", "volumetric efficiency").write()
l = Log("flow_open", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("MAP (kPa)", "map", ident), ("MAF", "maf", lambda g: g * 3.6)])
l.left_out("MAF", "more than one of").expect().write()
Log("rail_key_on_barometer", [("RPM", "rpm", ident), ("Throttle (%)", "throttle", ident), ("MAP (kPa)", "map", ident), ("Fuel Rail Pressure (bar)", "rail", lambda v: (v - 98.0) / 100)], t=trace(key_on=8), places=5).expect(
    tolerance=0.0002).reason("Fuel Rail Pressure (bar)", "key-on manifold").write()
t = trace(); t["time"] = [round(v + 0.4 * (i // 10), 3) for i, v in enumerate(t["time"])]
Log("jitter", BASE, t=t).expect(findings=["jitter"]).write()
t = trace(dt=0.1)
for k in t:
    if k != "time": t[k] = [t[k][i - i % 2] for i in range(len(t[k]))]
Log("rows_repeat_readings", BASE, t=t).expect(findings=["duplicate"]).write()
l = Log("missing_share", [(h, k, f) for h, k, f in BASE if k != "charge"] + [("Charge Temperature (°C)", "charge", ident)]); l.skip = {"charge_temperature"}
for i in range(0, l.n, 8): l.rows[i][-1] = ""
l.expect(findings=["missing"]).write()

# --- errors -----------------------------------------------------------------------------------------------------------
put("empty.csv", b"", None, {"error": "is empty"})
put("blank.csv", b"\n\n  \n", None, {"error": "is empty"})
put("binary.csv", bytes(range(256)) * 8, None, {"error": "binary"})
put("header_only.csv", b"Time (s),Engine Speed (rpm),Lambda\n", None, {"error": "no header found"})
put("no_header.csv", b"".join(b"%d,%d,1.0\n" % (i, 800 + i) for i in range(30)), None, {"error": "no header found"})
put("prose.txt", "This is a letter, not a log.\nIt has some lines; none of them a table.\n".encode(), None, {"error": "no header found"})
put("short.csv.gz", gzip.compress(b"Time,RPM\n" + b"".join(b"%d,800\n" % i for i in range(3000)), mtime=0)[:200], None, {"error": "cannot be unpacked"})
put("measurement.mf4", b"MDF     4.10    headroom" + bytes(64), None, {"error": "MDF"})
def zip_of_two(_):
    b = io.BytesIO()
    with zipfile.ZipFile(b, "w", zipfile.ZIP_DEFLATED) as z:
        for name in ("one.csv", "two.csv"):
            z.writestr(zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0)), b"Time (s),RPM\n0,800\n1,810\n2,805\n", zipfile.ZIP_DEFLATED)
    return b.getvalue()
put("two_logs.zip", b"", zip_of_two, {"error": "is an archive of 2 files"})
put("no_log.zip", b"PK\x05\x06" + bytes(18), None, {"error": "is an archive of 0 files"})
put("quote_open_to_the_end.csv", b'"Time (s),RPM\n' + b"".join(b"%d,%d\n" % (i, 800 + i) for i in range(9)), None,
    {"columns": {"RPM": "engine_speed"}, "runs": [{"rows": 9, "duration": 8, "values": {"engine_speed": {"0": 800, "8": 808}}}], "findings": ["layout"]})
