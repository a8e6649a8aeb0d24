# SPDX-License-Identifier: GPL-3.0-or-later
# Fresh batteries over a part's absolute maximum: no results for them, those of one battery come out. Capacitors rated
# for less than fresh batteries are a warning.
railsag battery "$EXAMPLES/heron.json" --in-series 1,2 --change U1A,U1B=tlv2372 --json - >out.json
echo $?
sed -n 's/^ *"status": "\(.*\)",/\1/p; s/^ *"life_hours": null.*/no life/p' out.json
sed 's/"rated": "25V"/"rated": "16V"/' "$EXAMPLES/heron.json" >weak.json
railsag battery weak.json --in-series 2 >table
echo $?
railsag battery "$EXAMPLES/heron.json" --in-series 5 >table
echo $?
