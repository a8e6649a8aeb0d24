# SPDX-License-Identifier: GPL-3.0-or-later
# Standard output, then a file, on a full disk.
cp "$EXAMPLES/heron.json" .
railsag response heron.json >/dev/full
echo $?
railsag response heron.json --quiet --json /dev/full >table
echo $?
railsag help >/dev/full
echo $?
railsag models >/dev/full
echo $?
ls
