# SPDX-License-Identifier: GPL-3.0-or-later
# Two results in one file, or both on standard output.
cp "$EXAMPLES/heron.json" .
railsag levels heron.json --json out.svg --plot out.svg
echo $?
railsag levels heron.json --csv - --plot -
echo $?
railsag check heron.json --plot out.svg
echo $?
ls -A
