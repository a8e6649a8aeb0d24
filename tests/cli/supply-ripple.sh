# SPDX-License-Identifier: GPL-3.0-or-later
# A follower at half the supply that feeds 1 kohm straight to ground, on a worn battery: 1 Vpk at 41 Hz moves the terminals
# by 2 mA peak to peak in the battery's audio resistance, 4.8 ohm, and what polarisation adds. On a stiff supply only R3 moves the half-supply point.
cat >load.json <<END
{"format": "railsag design 1", "title": "a load", "input": {"node": "in"}, "output": {"node": "out", "load": "1M"},
 "supply": {"positive": "bat", "negative": "ground", "nominal": "9V", "battery": "6lr61"},
 "parts": {"C1": {"capacitor": "100u", "between": ["in", "p"]}, "R3": {"resistor": "1M", "between": ["p", "half"]},
  "R1": {"resistor": "47k", "between": ["bat", "half"]}, "R2": {"resistor": "47k", "between": ["half", "ground"]},
  "C2": {"capacitor": "1u", "between": ["half", "ground"]}, "R4": {"resistor": "1k", "between": ["out", "ground"]},
  "U1A": {"opamp": "tlv2372", "plus": "p", "minus": "out", "out": "out", "rails": ["bat", "ground"]},
  "U1B": {"opamp": "tlv2372", "plus": "half", "minus": "b", "out": "b", "rails": ["bat", "ground"]}}}
END
railsag bias load.json --quiet --supply 5.5V | tail -5
railsag levels load.json --quiet --supply 5.5V --level soft,hard --frequency 41Hz,98Hz,400Hz | grep -A2 "^At most"
railsag levels load.json --quiet --supply 5.5V --stiff --level soft,hard --frequency 41Hz,98Hz,400Hz | grep -A2 "^At most"
