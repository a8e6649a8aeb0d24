# SPDX-License-Identifier: GPL-3.0-or-later
cp "$EXAMPLES/heron.json" .
railsag response heron.json --quiet >&-
echo $?
ls
