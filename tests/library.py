#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""What a maker must be able to trust in models/: every figure has a source of its own, estimates say
so where results are marked by them, and parts of which only the package differs agree.

    library.py SOURCE
"""
import json
import pathlib
import sys

MODELS = pathlib.Path(sys.argv[1]).resolve() / "models"
HEAD = {"format", "name", "title", "source", "notes", "sources"}
# Tables by the columns that hold figures; the others are what they are tabulated over.
COLUMNS = {"cell": ("open_circuit", "resistance_audio", "resistance_dc"), "capacity": ("charge", "spread")}
# A single or a quad and the dual of the same sheet and the same figures.
SIBLINGS = {
    "tl061": "tl062", "tl064": "tl062", "tl071": "tl072", "tl074": "tl072", "opa134": "opa2134",
    "opa4134": "opa2134", "opa1679": "opa1678", "mc33179": "mc33178", "tlv2371": "tlv2372",
    "tlv2374": "tlv2372",
}
# The parts that the workshop asked for.
WANTED = {
    "opamps": "tl062 tl072 tl072h tlc2262 tlc272 tlc27l2 lm358 ne5532 lm833 opa2134 opa1642 opa1662 mc33178 "
              "mcp6022 tlv2372 lm4562 ua741 rc4558 mc4558 tl082-n opa1678",
    "batteries": "6lr61 6f22 lithium-9v nimh-8.4v nimh-9.6v",
    "pickups": "single-coil-bass split-coil-bass humbucking-bass piezo-upright active-bass",
}
wrong = []


def paths(value, at=""):
    """The figures of a file, by their path."""
    for key, inner in value.items():
        path = f"{at}.{key}" if at else key
        if not at and key in HEAD:
            continue
        if isinstance(inner, dict):
            yield from paths(inner, path)
        elif path in COLUMNS:
            yield from (f"{path}.{column}" for column in COLUMNS[path] if any(column in row for row in inner))
        else:
            yield path


def source_of(model, path):
    """The text that covers a figure, by the longest path."""
    best = max((key for key in model.get("sources", {}) if path == key or path.startswith(key + ".")),
               key=len, default=None)
    return model["sources"][best] if best else None


def check_sources(file, model):
    for path in paths(model):
        if not source_of(model, path):
            wrong.append(f"{file}: {path} has no source of its own")


def check_estimates(file, model):
    """A point that is an estimate is explained in the source of its table, and the other way round an
    estimate at other supplies is marked at some point."""
    for side in ("high", "low"):
        points = model.get("output", {}).get(side, [])
        text = source_of(model, f"output.{side}") or ""
        if any("estimate" in point for point in points) and not any(
                word in text for word in ("stimate", "from memory", "ratio")):
            wrong.append(f"{file}: output.{side} has estimates that its source does not explain")
        if "stimate elsewhere" in text and not any("estimate" in point for point in points):
            wrong.append(f"{file}: output.{side} has estimates at other supplies, and no point says so")


def check_siblings():
    for name, dual in SIBLINGS.items():
        one, two = (json.loads((MODELS / "opamps" / f"{n}.json").read_text()) for n in (name, dual))
        if one["amplifiers"] == two["amplifiers"]:
            wrong.append(f"{name} has as many amplifiers as the {dual}")
        for model in (one, two):
            del model["name"], model["title"], model["amplifiers"], model["sources"]["amplifiers"]
        if one != two:
            wrong.append(f"{name} and {dual} differ by more than the package")


count = 0
for path in sorted(MODELS.glob("*/*.json")):
    if path.parent.name == "schema":
        continue
    found = json.loads(path.read_text())
    file = path.relative_to(MODELS)
    if found["name"] != path.stem:
        wrong.append(f"{file} calls itself {found['name']}")
    check_sources(file, found)
    check_estimates(file, found)
    count += 1
check_siblings()
for folder, names in WANTED.items():
    for name in names.split():
        if not (MODELS / folder / f"{name}.json").is_file():
            wrong.append(f"{folder}/{name}.json is missing")
print("\n".join(wrong + [f"{count} models, {len(wrong)} wrong"]))
sys.exit(1 if wrong else 0)
