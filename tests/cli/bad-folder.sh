# SPDX-License-Identifier: GPL-3.0-or-later
cp "$EXAMPLES/heron.json" .
mkdir there
railsag levels heron.json --json nowhere/out.json
echo $?
railsag levels heron.json --csv there
echo $?
ls
