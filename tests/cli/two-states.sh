# SPDX-License-Identifier: GPL-3.0-or-later
# A circuit that loud playing drives into a state it stays in: the figures are those before that.
railsag levels "$DATA/servo.json" --supply 9V --level 0dBV,10dBV --frequency 100Hz,1kHz --json levels.json >table 2>messages
grep -A 5 "input" table
grep -o "Two states.*" messages
grep two_states levels.json | sed 's/\(\.[0-9]\)[0-9]*/\1/g'
