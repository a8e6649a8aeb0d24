# SPDX-License-Identifier: GPL-3.0-or-later
# Without one of the three endings nothing is computed or written.
cp "$EXAMPLES/heron.json" .
railsag levels heron.json --plot picture.jpg
echo $?
railsag headroom heron.json --plot ""
echo $?
railsag response heron.json --plot svg
echo $?
ls -A
