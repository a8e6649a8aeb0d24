# SPDX-License-Identifier: GPL-3.0-or-later
# Pictures that nobody could read are refused before the computing.
cp "$EXAMPLES/heron.json" .
railsag levels heron.json --supply 3V:9V:0.2V --points 5000 --plot a.svg
echo $?
railsag headroom heron.json --supply 3V:9V:0.1V --points 5000 --plot a.svg
echo $?
railsag response heron.json --supply 3V:9V:0.2V --set bass=0%,50% --points 10000 --plot a.svg
echo $?
ls -A
