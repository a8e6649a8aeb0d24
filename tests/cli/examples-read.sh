# SPDX-License-Identifier: GPL-3.0-or-later
# Every example reads without an error and works at each of the usual supplies.
for design in "$EXAMPLES"/*.json; do
    name=$(basename "$design" .json)
    railsag check "$design" --json - --quiet >"$name.out" || echo "$name: exit status $?"
    grep -q '"status"' "$name.out" || echo "$name: no results"
    grep '"status"' "$name.out" | grep -v '"ok"' && echo "$name: not at every supply"
done
true
