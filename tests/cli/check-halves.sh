# SPDX-License-Identifier: GPL-3.0-or-later
# Two batteries with their middle as ground: the jack breaks one only. And they need not run down alike.
cat >halves.json <<END
{"format": "railsag design 1", "title": "two halves", "input": {"node": "in"}, "output": {"node": "out", "load": "100k"},
 "supply": {"positive": "plus", "negative": "minus", "middle": "ground", "nominal": "18V", "battery": "6lr61", "in_series": 2},
 "parts": {"C1": {"capacitor": "1u", "between": ["in", "out"]}, "R1": {"resistor": "1k", "between": ["plus", "ground"]},
  "R2": {"resistor": "4k", "between": ["minus", "ground"]}}}
END
railsag check halves.json --supply 18V | grep -A 3 "note:"
railsag check halves.json --supply 18V --stiff | grep -A 3 "note:"
railsag battery halves.json >table
grep "^18 V (2 x 9 V), " table
