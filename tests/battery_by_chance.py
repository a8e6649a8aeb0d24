# SPDX-License-Identifier: GPL-3.0-or-later
"""battery_by_chance.py PROGRAM EXAMPLES NUMBER...

Runs `railsag battery` on examples whose parts, controls, batteries and rules are drawn by chance, the same ones for the
same number (17, or 1-400), and holds each answer against what is true of any battery: time, charge and voltage go one
way only, margins are there for all playing levels or for none, the battery is replaced within its discharge and where
its rule says. A failed run is shown as the command that repeats it, but for the file of a battery."""

import json
import math
import os
import random
import re
import resource
import signal
import subprocess
import sys
import tempfile
import xml.etree.ElementTree

LONGEST_S = 300  # of processor time: a run that takes more hangs
LEVELS = ["soft", "normal", "hard", "extreme"]
BATTERIES = ["6lr61", "6f22", "lithium-9v", "nimh-8.4v", "nimh-9.6v"]
DUTIES = ["2h/day", "24h/day", "1min/day", "1s/day", "2h/week", "1h/week,3h/day,24h/day", "168h/week"]


def names_in(folder):
    return sorted(name[:-5] for name in os.listdir(folder) if name.endswith(".json"))


def change(chance, name, part, opamps):
    """A --change of one part, or None: by a factor up to ten, rarely up to a million."""
    reach = 6 if chance.random() < 0.1 else 1
    factor = 10 ** chance.uniform(-reach, reach)
    for kind, low, high in (("resistor", 1e-3, 1e9), ("pot", 1, 1e9), ("capacitor", 1e-15, 1e-2)):
        if kind in part:
            value = chance.choice([22, 47, 100]) * 10 ** chance.uniform(-1, 3) * (1e-9 if kind == "capacitor" else 100) * factor
            return f"{name}={min(max(value, low), high):.3g}"
    if "opamp" in part:
        return f"{name[:-1]}={chance.choice(opamps)}"
    return None


def stretch(quantity, unit, factor, most):
    """A quantity of a model file, "2.5R", times a factor, up to a limit."""
    return f"{min(float(quantity[:-len(unit)]) * factor, most):.6g}{unit}"


def battery_file(chance, models, number):
    """The file of a battery with other resistances, charges and self-discharge than one of the library."""
    with open(os.path.join(models, "batteries", chance.choice(BATTERIES) + ".json")) as file:
        battery = json.load(file)
    battery["name"] = f"battery-{number}"
    resistance, charge = 10 ** chance.uniform(-1, 1.5), 10 ** chance.uniform(-2, 1)
    for row in battery["cell"]:
        for key in ("resistance_audio", "resistance_dc"):
            row[key] = stretch(row[key], "R", resistance, 1e4)
    for row in battery["capacity"]:
        row["charge"] = stretch(row["charge"], "mAh", charge, 1e5)
    battery["self_discharge_per_year"] = chance.choice(["0%", "1%", "50%", "99%"])
    with open(battery["name"] + ".json", "w") as file:
        json.dump(battery, file)
    return f"./{battery['name']}.json"


def draw(number, examples):
    """The options of a run; a battery's file is written where it happens."""
    chance = random.Random(number)
    example = chance.choice(names_in(examples))
    with open(os.path.join(examples, example + ".json")) as file:
        design = json.load(file)
    opamps = names_in(os.path.join(examples, "..", "models", "opamps"))
    options = [os.path.join(examples, example + ".json")]
    for name in chance.sample(sorted(design["parts"]), chance.choice([0, 1, 1, 2, 4])):
        made = change(chance, name, design["parts"][name], opamps)
        if made and not any(made.split("=")[0] + "=" in given for given in options):
            options += ["--change", made]
    for control, setting in design["controls"].items():
        if chance.random() < 0.4:
            options += ["--set", f"{control}={chance.randint(1, 3)}" if isinstance(setting, int)
                        else f"{control}={chance.choice([0, 100, chance.randint(0, 100)])}%"]
    if chance.random() < 0.6:
        options += ["--battery", chance.choice(BATTERIES) if chance.random() < 0.5 else
                    os.path.abspath(battery_file(chance, os.path.join(examples, "..", "models"), number))]
    if chance.random() < 0.3:
        options += ["--in-series", chance.choice(["2,4"] if example == "curlew" else ["1,2", "1", "2", "3", "1,2,3"])]
    if chance.random() < 0.4:
        options += ["--plugged-in", chance.choice(DUTIES)]
    if chance.random() < 0.3:
        options += ["--until", f"{chance.choice([chance.uniform(4, 9), 1, 9.5, 0.01]):.4g}V"]
    if chance.random() < 0.3:
        options += ["--replace-at", f"{chance.choice([chance.uniform(4, 9), 1, 9.5, 0.01]):.4g}V"]
    if chance.random() < 0.3:
        options += ["--replace-margin", ",".join(f"{level}:{chance.choice([chance.uniform(-20, 20), -100, 100, 0]):.4g}dB"
                                                 for level in chance.sample(LEVELS, chance.choice([1, 1, 2])))]
    if chance.random() < 0.2:
        options += ["--load", chance.choice(["amp", "pedal", "line", "none", "600R", "10M + 1u"])]
    if chance.random() < 0.2:
        options += ["--drive", "pickup"]
    if chance.random() < 0.15:
        options += ["--thd", chance.choice(["0.01%", "0.0001%", "10%", "50%"])]
    if chance.random() < 0.1:
        options += ["--slope", chance.choice(["0dB", "12dB", "3dB"])]
    return options


def falls(values):
    return all(a > b for a, b in zip(values, values[1:]))


def rises(values):
    return all(a <= b for a, b in zip(values, values[1:]))


def numbers_of(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for item in value:
            yield from numbers_of(item)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield value


def say_wrong(result, option):
    """What is wrong with one battery's answer, a sentence each."""
    if result["status"] != "ok":
        return
    rows = len(result["depth"])
    hours, volts = result["hours"], result["terminal_v"]
    cells = result["in_series"]
    if result["depth"][0] != 0 or not rises(result["depth"]) or result["depth"][-1] > 1 + 1e-9:
        yield "depth does not run from 0 upwards"
    if not falls(result["open_circuit_v"]) or not falls(volts):
        yield "voltage does not fall"
    for key in ("hours", "hours_least", "hours_most"):
        known = [value for value in result[key] if value is not None]
        if known and (known[0] != 0 or not rises(known)):
            yield key + " does not run from 0 upwards"
    for least, typical, most in zip(result["hours_least"], hours, result["hours_most"]):
        if None not in (least, typical, most) and not least <= typical <= most:
            yield "hours lie outside their range"
    for months in result["calendar_months"].values():
        if not rises([value for value in months if value is not None]):
            yield "calendar time runs back"
    for key, values in list(result.items()):
        if isinstance(values, list) and key in ("open_circuit_v", "terminal_v", "hours", "margin_at_hz", "row_status",
                                                "hard_98hz_thd_percent", "eq_change_soft_db") and len(values) != rows:
            yield key + " has another number of rows"
    for i in range(rows):
        margins = [result["margin_db"][level][i] for level in LEVELS]
        known = [margin for margin in margins if isinstance(margin, (int, float))]
        if known and (len(known) < 4 or known != sorted(known, reverse=True)):
            yield "margins are not in the order of the playing levels"
        if result["row_status"][i] not in ("ok",) and known:
            yield f"a row that is {result['row_status'][i]} has margins"
    if any(thd is not None and thd < 0 for thd in result["hard_98hz_thd_percent"]):
        yield "THD is negative"
    if any(not drain >= 0 for drain in result["drains_a"] if drain is not None):
        yield "drain is negative"
    at_v, because = result["replace_at_v"], result["replace_because"]
    if at_v is None:
        return
    near = 1e-6 * volts[0]
    if not volts[-1] - near <= at_v <= volts[0] + near:
        yield "the voltage to replace at lies outside the discharge"
        return
    at = min(range(rows), key=lambda i: abs(volts[i] - at_v))
    if abs(volts[at] - at_v) > near:
        yield "the table has no row for replacing"
    if result["life_hours"] is not None and result["life_hours"] != hours[at]:
        yield "the life is not that of the row"
    for before, level_rule in ((rule.split(":")) for rule in (option.get("--replace-margin") or "").split(",") if rule):
        asked = float(level_rule[:-2])
        for i in range(at):
            margin = result["margin_db"][before][i]
            if isinstance(margin, (int, float)) and margin < asked - 1e-6:
                yield f"at {volts[i]:.6g} V, ahead of replacing, the margin is {margin:.6g} dB"
        margin = result["margin_db"][before][at]
        if because == "margin" and at > 0 and isinstance(margin, (int, float)) and margin > asked + 0.05 and "," not in option["--replace-margin"]:
            yield f"replaced for a margin of {margin:.6g} dB where {asked:.6g} dB is asked"
    if "--replace-at" in option and at_v < float(option["--replace-at"][:-1]) * cells - near and at > 0:
        yield "replaced below the voltage asked for"
    if because == "voltage" and at > 0 and abs(at_v - float(option["--replace-at"][:-1]) * cells) > near:
        yield "replaced at another voltage than asked for"
    for ok, words in ((result["replace_words"], "nan inf -0.0".split()),):
        if ok and re.search(r"\b(nan|inf)\b|-0\.0 dB| 0\.0 dB less", ok):
            yield "words with no number: " + ok


def say_unclean(text):
    """Lines that no reader should get to see."""
    bad = r".*(\bnan\b|\binf\b|bad argument|Sanitizer|runtime error).*"
    return ["it says: " + found.group(0)[:200] for found in re.finditer(bad, text)][:3]


def read(path):
    with open(path) as file:
        return file.read()


def run(program, number, examples):
    """The faults of one run, its outcome, its command."""
    options = draw(number, examples)
    drawn = number % 4 == 0
    files = ["--json", "out.json", "--csv", "out.csv"] + (["--plot", "out.svg"] if drawn else [])
    command = [program, "battery"] + options + ["--threads", "1"]
    done = subprocess.run(command + files, capture_output=True, text=True,
                          preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S + 1)))
    if done.returncode == -signal.SIGXCPU:
        return ["it hangs"], "hangs", command
    faults = []
    if done.returncode not in (0, 1, 2):
        faults.append(f"exit status {done.returncode}")
    if not os.path.exists("out.json"):
        if done.returncode == 0 or not done.stderr.strip():
            faults.append("no results without a word")
        return faults + say_unclean(done.stderr), "refused", command
    faults += say_unclean(done.stderr + done.stdout + read("out.csv") + (read("out.svg") if drawn else ""))
    if drawn:
        xml.etree.ElementTree.parse("out.svg")
    try:
        answer = json.loads(read("out.json"), parse_constant=lambda word: faults.append(word + " in the JSON"))
    except ValueError as error:
        return faults + [f"no JSON: {error}"], "broken", command
    if any(not math.isfinite(value) for value in numbers_of(answer)):
        faults.append("a number without a value in the JSON")
    given = dict(zip(options[1::2], options[2::2]))
    for result in answer["results"]:
        faults += list(say_wrong(result, given))
    first = answer["results"][0]
    return faults, first.get("replace_because") or first["status"], command


def main():
    program, examples = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
    numbers = []
    for word in sys.argv[3:]:
        first, _, last = word.partition("-")
        numbers += range(int(first), int(last or first) + 1)
    outcomes, bad = {}, 0
    for number in numbers:
        with tempfile.TemporaryDirectory() as folder:
            os.chdir(folder)
            faults, outcome, command = run(program, number, examples)
            os.chdir("/")
        outcomes[outcome] = outcomes.get(outcome, 0) + 1
        if faults:
            bad += 1
            print(f"{number}: " + " ".join(f"'{word}'" if " " in word or ";" in word else word for word in command))
            for fault in dict.fromkeys(faults):
                print("    " + fault)
            sys.stdout.flush()
    print(f"{len(numbers)} designs by chance, {bad} with faults; " + ", ".join(f"{n} {name}" for name, n in sorted(outcomes.items())))
    return bad > 0


if __name__ == "__main__":
    sys.exit(main())
