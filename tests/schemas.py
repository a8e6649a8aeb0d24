#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The schemas in models/schema against the files that ship and against the program's own reader.

    schemas.py SOURCE PROGRAM

Every file that ships validates and is read. Broken files come in two sets, made by one edit of a
good file each: structural ones that schema and reader both refuse, and ones that only the reader
can see. And every way of writing a quantity gets the same answer from both.
"""
import json
import pathlib
import subprocess
import sys
import tempfile

import jsonschema

SOURCE = pathlib.Path(sys.argv[1]).resolve()
PROGRAM = sys.argv[2]
SCHEMAS = SOURCE / "models" / "schema"
DATA = SOURCE / "tests" / "data"
KINDS = ("opamp", "battery", "diode", "pickup", "design")

OPAMP = DATA / "models/opamps/sample-dual.json"
BATTERY = DATA / "models/batteries/sample-9v.json"
DIODE = DATA / "models/diodes/sample-diode.json"
COIL = DATA / "models/pickups/sample-coil.json"
PIEZO = DATA / "models/pickups/sample-piezo.json"
ACTIVE = DATA / "models/pickups/sample-active.json"
DESIGN = DATA / "designs/small.json"

# Both refuse: (file, find, put).
STRUCTURAL = [
    (OPAMP, '"railsag opamp 1"', '"railsag opamp 2"'),
    (OPAMP, '"name": "sample-dual"', '"name": "a/b"'),
    (OPAMP, '"name": "sample-dual",', ""),
    (OPAMP, '"source": "made up for the tests"', '"source": ""'),
    (OPAMP, '"source": "made up for the tests"', '"source": ["made up"]'),
    (OPAMP, '["no real part"]', '"no real part"'),
    (OPAMP, '["no real part"]', "[3]"),
    (OPAMP, '"estimate: made up as well"', "3"),
    (OPAMP, '"amplifiers": 2', '"amplifiers": 0'),
    (OPAMP, '"amplifiers": 2', '"amplifiers": 1.5'),
    (OPAMP, '"stops_below"', '"stops_belo"'),
    (OPAMP, '"gain_bandwidth": "3MHz"', '"gain_bandwidth": "3V"'),
    (OPAMP, '"gain_bandwidth": "3MHz"', '"gain_bandwidth": 3e12'),
    (OPAMP, '"gain_bandwidth": "3MHz"', '"gain_bandwidth": null'),
    (OPAMP, '{"rise": "13V/us", ', "{"),
    (OPAMP, '"current": "5mA", "drop": "3V"', '"current": "5mA"'),
    (OPAMP, '"sink": "20mA"', '"sunk": "20mA"'),
    (OPAMP, ', "dead_band": "0.6V"', ""),
    (OPAMP, '"differential_diodes": true', '"differential_diodes": "yes"'),
    (OPAMP, '"gain_bandwidth": "60%", "supply_current": "80%", ', ""),
    (OPAMP, '{"min": "8V/us"}', "{}"),
    (OPAMP, '"drop": {"max": "167%"}', '"drops": {"max": "167%"}'),
    (OPAMP, '"estimate": "made up"}\n    ],', '"estimate": 1}\n    ],'),
    (BATTERY, '"depth": "0%"', '"depht": "0%"'),
    (BATTERY, '"shelf_life": "5y"', '"shelf_life": "5V"'),
    (BATTERY, '"15%"', '{"down": "15%"}'),
    (BATTERY, '"self_discharge_per_year": "3%"', '"self_discharge_per_year": 1'),
    (BATTERY, '"nominal": "9V",', ""),
    (DIODE, '"voltage": "0.45V"}', '"voltage": "0.45V"}, {}, {}'),
    (DIODE, '"20V"', "-20"),
    (COIL, '"inductance"', '"series_capacitance": "1n", "inductance"'),
    (COIL, '  "inductance": "5H",\n', ""),
    (COIL, '"resistance": "11k",', ""),
    (COIL, '"0.8Vpk"', '"0.8V"'),
    (COIL, '"normal"', '"norml"'),
    (PIEZO, '"1n"', '"1u", "active": true, "resistance": 1'),
    (ACTIVE, '"active": true,', ""),
    (ACTIVE, '"active": true', '"active": 1'),
    (DESIGN, '"railsag design 1"', '"railsag opamp 1"'),
    (DESIGN, '"input": {"node": "jack_in", "pickup": "sample-coil"},', ""),
    (DESIGN, '"output": {"node": "jack_out"', '"output": {"nod": "jack_out"'),
    (DESIGN, '"1M + 500p"', '"1M + 500R"'),
    (DESIGN, '"nominal": "9V"', '"nominal": "9Vrms"'),
    (DESIGN, '"R5":', '"R5AB":'),
    (DESIGN, '{"resistor": "22k", "between"', '{"resistr": "22k", "between"'),
    (DESIGN, '{"resistor": "22k", "between"', '{"resistor": "22k", "pot": "22k", "between"'),
    (DESIGN, '["low", "sum"]', '["low", "sum", "x"]'),
    (DESIGN, '["low", "sum"]', '["low"]'),
    (DESIGN, '"taper": "audio"', '"taper": "log"'),
    (DESIGN, '"rated": "16V"', '"rate": "16V"'),
    (DESIGN, ', "rated": "16V"', ""),
    (DESIGN, '"switch": ["low", "open", "high"]', '"switch": []'),
    (DESIGN, '"common": "tap", "control": "mid"', '"common": "tap"'),
    (DESIGN, '"minus": "buf", "out"', '"out"'),
    (DESIGN, '"resistor": "4k7"', '"resistor": "4,7k"'),
    (DESIGN, '"resistor": "4k7"', '"resistor": -4700'),
    (DESIGN, '"normal": "0.9Vpk"', '"normal": 0.9'),
    (DESIGN, '"tolerance": "1%"', '"tolerance": "1 of"'),
    (DESIGN, '"diode": "sample-diode", "anode"', '"diode": "", "anode"'),
]

# Only the reader sees these: what is doubled, compared with something else in the file, looked up,
# or a matter of the whole circuit.
READER_ONLY = [
    (OPAMP, '"amplifiers": 2,', '"amplifiers": 2, "amplifiers": 2,'),
    (OPAMP, '"amplifiers": 2', '"amplifiers": 02'),
    (OPAMP, '"min": "7V"', '"min": "31V"'),
    (OPAMP, '"3.5V"', '"7.5V"'),
    (OPAMP, '"drop": "3V"', '"drop": "1V"'),
    (OPAMP, '{"supply": "30V", ', "{"),
    (OPAMP, '"supply": "30V", "current"', '"supply": "10V", "current"'),
    (OPAMP, '"works_to": "1V"', '"works_to": "4V"'),
    (OPAMP, '"supply_current": "80%"', '"supply_current": "101%"'),
    (OPAMP, '"output.high": "', '"output.hih": "'),
    (OPAMP, '{"min": "8V/us"}', '{"min": "12.5V/us"}'),
    (OPAMP, '"gain_bandwidth": "3MHz"', '"gain_bandwidth": "3THz"'),
    (BATTERY, '"depth": "0%"', '"depth": "1%"'),
    (BATTERY, '"5.2V"', '"9.55V"'),
    (BATTERY, '"310mAh"', '"560mAh"'),
    (DIODE, '"0.45V"', '"0.2V"'),
    (COIL, '"0.8Vpk"', '"2000Vpk"'),
    (DESIGN, '"notes": ["no', '"title": "twice", "notes": ["no'),
    (DESIGN, '"R5":', '"r3":'),
    (DESIGN, '"opamp": "sample-dual"', '"opamp": "sample-daul"'),
    (DESIGN, '"between": ["jack_in", "in"]', '"between": ["jack_in", "inn"]'),
    (DESIGN, '"between": ["in", "vref"]', '"between": ["in", "in"]'),
    (DESIGN, '"positive": "vplus", "leakage"', '"positive": "bat", "leakage"'),
    (DESIGN, '"bass": "30%"', '"bas": "30%"'),
    (DESIGN, '"mid": 2', '"mid": 4'),
    (DESIGN, '"positive": "bat", "negative": "ground"', '"positive": "bat", "negative": "bat"'),
    (DESIGN, '"V1":', '"V2": {"voltage": "1V", "positive": "vplus", "negative": "ground"}, '
                      '"V3": {"voltage": "2V", "positive": "vplus", "negative": "ground"}, "V1":'),
    (DESIGN, '"middle": "15%", ', '"middle": "15%", "end_resistance": "60k", '),
    (DESIGN, '"rails": ["vplus", "ground"]},\n    "C2"', '"rails": ["bat", "ground"]},\n    "C2"'),
]

# One key of a kind of quantity, in a file that takes it; the ways of writing it, of which schema
# and reader have to think alike. All of those that are right lie in range.
SPELLINGS = [
    (COIL, '"resistance": "11k"', "resistance",
     ["11k", "11K", "11 k", "11kohm", "11 k\u03a9", "11\u2126", "4k7", "4K7", "R47", "100R", "4R7",
      "1e3", "1E+3ohm", ".5k", "4k7ohm", "11000", " 11k ", "\u00a011k", "11k R", "11 V", "11kR",
      "1.k", "k11", "11,0k", "1_000", "11kk", "11ko", "4k7R", "-11k", "+11k", "", "eleven", "1k1k",
      "0x10", "1e", "1e+", "inf", "nan", "11M", "11m ohm", "11Kohm", "11 kilo"]),
    (COIL, '"capacitance": "120p"', "capacitance",
     ["120p", "120pF", "4n7", "4n7F", "n47", "0.1u", "0.1\u00b5F", "0.1\u03bcF", "120 pF",
      "120pf", "120P", "120ohm", "1e-10", "4u7F ", "4F7n", "47n5n", "-1p"]),
    (COIL, '"inductance": "5H"', "inductance",
     ["5H", "5", "100mH", "5 H", "5h", "4H7", "H47", "0.5k", "500m", "5mF"]),
    (DIODE, '"20V"', "breakdown",
     ["20V", "20", "3V3", "V33", "0.02kV", "20 V", "20v", "20Vpk", "20VV", "20mA"]),
    (OPAMP, '"offset": "3mV"', "offset", ["3mV", "-3mV", "+3mV", "3e-3", "-0V003", "- 3mV", "3m"]),
    (OPAMP, '"bias_current": "65pA"', "bias_current", ["66pA", "-66pA", "-66p", "1e-10", "66pa"]),
    (OPAMP, '"voltage_corner": "100Hz"', "voltage_corner",
     ["100Hz", "100 Hz", "0.1kHz", "100hz", "0.1k", "3M0", "3M0Hz", "100Hz/s", "100HZ"]),
    (OPAMP, '"gain_bandwidth": "3MHz"', "gain_bandwidth",
     ["3MHz", "3M", "3e6", "3M1Hz", "3Mhz", "3mHz/1", "3MEG", "3M ", "3 M Hz"]),
    (OPAMP, '"thd_floor": "0.003%"', "thd_floor", ["0.003%", "0.003 %", "3e-5", "0.003", "1m", "3%%"]),
    (OPAMP, '"open_loop_gain": "106dB"', "open_loop_gain",
     ["106dB", "106 dB", "200000", "2e5", "106db", "106DB", "200k", "106000", "200V/mV", "200 V/mV",
      "0.2V/\u00b5V", "0.2V/uV", "2e5V/V", "200kV/V", "200V/mv", "200V", "200V / mV"]),
    (OPAMP, '"phase_margin": "45deg"', "phase_margin", ["45deg", "45", "45 deg", "45\u00b0", "45k"]),
    (OPAMP, '{"rise": "13V/us", "fall": "12V/us"}', "slew_rate",
     ["12V/us", "12V/\u00b5s", "12 V/us", "12MV/s", "12M", "12000V/ms", "0.012V/ns", "12v/us",
      "12V/sec", "12V", "12V / us", "12V/Us", "13e6", "12M5V/s"]),
    (OPAMP, '"voltage": "18nV/rtHz"', "voltage", ["18nV/rtHz", "18n", "18nV", "18nV/rthz", "18 nV/rtHz"]),
    (OPAMP, '"current": "10fA/rtHz"', "current", ["10fA/rtHz", "10f", "10fA", "10fV/rtHz"]),
    (OPAMP, '"amplifiers": 2', "amplifiers", ["2", " 2 ", "2.0", "+2", "2e0", "2x", "two"]),
    (BATTERY, '"540mAh"', "charge",
     ["540mAh", "0.54Ah", "1944C", "1944", "2kC", "540 mAh", "540mah", "540mA", "1.9k", "2kAh C"]),
    (BATTERY, '"shelf_life": "5y"', "shelf_life",
     ["5y", "1826d", "43830h", "2629800min", "1.5e8s", "150Ms", "5Y", "5a", "5ky", "150M", "5 y"]),
    (COIL, '"0.8Vpk"', "normal",
     ["0.8Vpk", "800mVpk", "0.8 Vpk", "0.5Vrms", "1.6Vpp", "-10dBV", "-7.8dBu", "+1dBV", "0.8V",
      "0.8", "-10dB", "800mdBV", "-10dBv", "0.8vpk", "8k1Vpk", "-0.8Vpk", "0.8Vp"]),
    (DESIGN, '"1M + 500p"', "load",
     ["1M + 500p", "1M+500pF", "amp", "Amp + 500p", "none", "line", "pedal", "1M", " 1M ", "1M 500p",
      "1M + ", "+ 500p", "1M + 500p + 1n", "amps", "10k + 1e-9"]),
]


def validators():
    found = {}
    for kind in KINDS:
        path = SCHEMAS / f"{kind}.json"
        schema = json.loads(path.read_text())
        jsonschema.Draft202012Validator.check_schema(schema)
        resolver = jsonschema.RefResolver(base_uri=path.as_uri(), referrer=schema)
        found[kind] = jsonschema.Draft202012Validator(schema, resolver=resolver)
    values = json.loads((SCHEMAS / "values.json").read_text())
    jsonschema.Draft202012Validator.check_schema(values)
    return found


VALIDATORS = validators()
wrong = 0


def complain(text):
    global wrong
    wrong += 1
    print(text)


def kind_of(text):
    try:
        words = json.loads(text).get("format", "").split()
        return words[1] if len(words) > 1 and words[1] in KINDS else None
    except ValueError:
        return None


def schema_says(kind, text):
    """The first complaint of the schema, or None."""
    try:
        return jsonschema.exceptions.best_match(VALIDATORS[kind].iter_errors(json.loads(text)))
    except ValueError:  # no JSON at all is not the schema's affair
        return None


def reader_says(kind, path):
    """What the program reports as errors, or None."""
    command = ["models", str(path)] if kind != "design" else ["check", str(path), "--supply", "9V"]
    done = subprocess.run([PROGRAM, *command], capture_output=True, text=True, timeout=60)
    errors = [line for line in done.stderr.splitlines() if line.startswith("error: ")]
    if done.returncode not in (0, 2) or (done.returncode == 2) != bool(errors):
        complain(f"{path}: exit status {done.returncode} and {len(errors)} errors\n{done.stderr}")
    return errors[0] if errors else None


def edited(path, find, put):
    text = path.read_text()
    if find not in text:
        sys.exit(f"{path} has no {find}")
    return text.replace(find, put, 1)


def shipped():
    files = sorted((SOURCE / "models").glob("*/*.json")) + sorted((SOURCE / "examples").glob("*.json"))
    files += sorted((DATA / "models").glob("*/*.json")) + sorted((DATA / "designs").glob("small.json"))
    count = 0
    for path in files:
        if path.parent == SCHEMAS:
            continue
        kind = kind_of(path.read_text())
        says = schema_says(kind, path.read_text()) if kind else "no kind of file"
        if says:
            complain(f"{path}: the schema refuses it: {getattr(says, 'message', says)}")
        elif path != DESIGN and reader_says(kind, path):
            complain(f"{path}: the reader refuses it: {reader_says(kind, path)}")
        count += 1
    return count


def main():
    count = shipped()
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        for sub in ("opamps", "batteries", "diodes", "pickups"):  # what the design asks for
            (folder / sub).symlink_to(DATA / "models" / sub)
        (folder / "good.json").write_text(DESIGN.read_text())
        if reader_says("design", folder / "good.json"):
            complain("the unbroken design is refused: " + reader_says("design", folder / "good.json"))
        for structural, cases in ((True, STRUCTURAL), (False, READER_ONLY)):
            for number, (path, find, put) in enumerate(cases):
                kind = kind_of(path.read_text())
                text = edited(path, find, put)
                if text == path.read_text():
                    continue
                broken = folder / f"broken-{int(structural)}-{number}.json"
                broken.write_text(text)
                schema, reader = schema_says(kind, text), reader_says(kind, broken)
                if not reader:
                    complain(f"{path.name} with {put}: the reader takes it")
                if structural and not schema:
                    complain(f"{path.name} with {put}: the schema takes it, the reader says {reader}")
                if not structural and schema:
                    complain(f"{path.name} with {put}: the schema sees it, too: {schema.message}")
                count += 1
        for path, find, key, spellings in SPELLINGS:
            kind = kind_of(path.read_text())
            for spelling in spellings:
                written = json.dumps(spelling)
                put = f'"{key}": {written}' if find.startswith(f'"{key}"') else written
                if find.startswith('{"rise"'):
                    put = written
                text = edited(path, find, put)
                trial = folder / "spelling.json"
                trial.write_text(text)
                schema, reader = schema_says(kind, text), reader_says(kind, trial)
                if bool(schema) != bool(reader):
                    complain(f"{key} {spelling!r}: the schema says {schema and schema.message}, "
                             f"the reader {reader}")
                count += 1
    print(f"{count} files and texts, {wrong} wrong")
    return 1 if wrong else 0


sys.exit(main())
