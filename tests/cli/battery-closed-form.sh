# SPDX-License-Identifier: GPL-3.0-or-later
# A straight battery from 9 V to 6 V with 10 ohm and 1 Ah into 990 ohm, without self-discharge: hours to a depth D are
# Q (R + r)/(V0 - V1) ln(V0/V), V = V0 - (V0 - V1) D. At half of it 1000/3 ln(9/7.5) = 60.77 h, all of it 135.16 h.
cat >straight.json <<END
{"format": "railsag battery 1", "name": "straight", "title": "a straight line", "source": "made up", "nominal": "9V",
 "flat": "1V", "cell": [
 {"depth": "0%", "open_circuit": "9V", "resistance_audio": "2R", "resistance_dc": "10R"},
 {"depth": "100%", "open_circuit": "6V", "resistance_audio": "2R", "resistance_dc": "10R"}],
 "capacity": [{"drain": "1mA", "charge": "1Ah", "spread": {"down": "30%", "up": "10%"}}]}
END
cat >load.json <<END
{"format": "railsag design 1", "title": "a load", "input": {"node": "in"}, "output": {"node": "out", "load": "10k"},
 "supply": {"positive": "bat", "negative": "ground", "nominal": "9V", "battery": "straight"},
 "parts": {"R1": {"resistor": "990R", "between": ["bat", "ground"]}, "C1": {"capacitor": "1u", "between": ["in", "out"]}}}
END
# 7.425 V = 7.5 V x 990/1000
railsag battery load.json --quiet --replace-at 7.425V --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=replace,depth,hours,hours_least,hours_most,months_2h/day |
    awk '$1 == 1 { printf "%.4f %.2f %.2f %.2f %.3f\n", $2, $3, $4 / $3, $5 / $3, $6 }'
railsag battery load.json --quiet --json - | sed -n 's/^ *"end": //p' | sed 's/[0-9]*\.[0-9]*/\n&/g' | awk '/^[0-9]/ { printf "%.2f\n", $1 }'
# Two of them: the same current into twice the resistance.
railsag battery load.json --quiet --in-series 2 --change R1=1980R --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=terminal_v,hours | awk 'END { printf "%.3f %.2f\n", $1, $2 }'
