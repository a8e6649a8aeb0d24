# SPDX-License-Identifier: GPL-3.0-or-later
# Every example of the man page runs on the design that it names.
cp "$EXAMPLES/heron.json" .
sed -n "s/^\.Dl //p" "$SOURCE/cli/railsag.1" >examples
test -s examples || echo "no examples"
while IFS= read -r line; do
    sh -c "$line" >table 2>messages </dev/null || { echo "$line: $?"; cat messages; }
done <examples
