# SPDX-License-Identifier: GPL-3.0-or-later
# What is written by habit, and what would be right.
for option in "--change R3=47k,C2=10p" "--set treble=50" "--load 1M+500" "--change C4=22"; do
    railsag response "$EXAMPLES/heron.json" $option --supply 9V --quiet
done
sed 's/"33n"/"22"/' "$EXAMPLES/heron.json" >bare.json
railsag check bare.json
sed 's/"open_loop_gain": "106dB"/"open_loop_gain": "110"/; s/"open_loop_gain": {"min": "25000"}/"open_loop_gain": {"min": "20"}/' "$SOURCE/models/opamps/tl072.json" >part.json
railsag models part.json >/dev/null
