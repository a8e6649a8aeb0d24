# SPDX-License-Identifier: GPL-3.0-or-later
# The reader has gone: a quiet end, and the other file is written.
cp "$EXAMPLES/heron.json" .
{ railsag response heron.json --quiet --csv out.csv; echo $? >status; } | true
cat status
wc -l <out.csv
{ railsag response heron.json --quiet --json -; echo $? >status; } | true
cat status
