# SPDX-License-Identifier: GPL-3.0-or-later
# Results do not replace what they are made from, by whatever name; another run's results they do.
cp "$EXAMPLES/heron.json" mine.json
ln -s mine.json link.json
cp "$SOURCE/models/opamps/tl072.json" tl072.json
railsag bias mine.json --supply 9V --json mine.json && echo "exit status 0"
railsag bias mine.json --supply 9V --csv ./link.json && echo "exit status 0"
railsag models ./tl072.json --bench --json tl072.json && echo "exit status 0"
cmp mine.json "$EXAMPLES/heron.json" && cmp tl072.json "$SOURCE/models/opamps/tl072.json" && echo kept
railsag bias mine.json --supply 9V --json out.json >/dev/null && railsag bias mine.json --supply 9V --json out.json >/dev/null && echo replaced
rm mine.json link.json tl072.json out.json
