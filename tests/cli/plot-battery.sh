# SPDX-License-Identifier: GPL-3.0-or-later
# One number of batteries has four panels, two have six; one that a part does not stand says so; too many are refused.
cp "$EXAMPLES/heron.json" .
railsag battery heron.json --quiet --plot one.svg >table
echo $?
railsag battery heron.json --quiet --in-series 1,2 --plugged-in 1h/day --plot two.pdf >table
echo $?
pdftotext two.pdf - | grep "outside data sheet"
railsag battery heron.json --quiet --in-series 1,2 --change U1A,U1B=tlv2372 --plot damage.png >table
echo $?
railsag battery heron.json --quiet --set bass=0%:100%:10% --plot many.svg
echo $?
railsag battery heron.json --quiet --plot - | head -c 5
echo
ls
