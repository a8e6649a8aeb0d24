# SPDX-License-Identifier: GPL-3.0-or-later
# Every command that examples/README.md shows runs.
cd "$SOURCE" || exit 1
sed -n '/^```sh$/,/^```$/ { /^railsag/p; }' examples/README.md | while IFS= read -r line; do
    sh -c "$line --quiet" >/dev/null || echo "$line: exit status $?"
    echo run
done | sort | uniq -c | sed 's/^ *//'
