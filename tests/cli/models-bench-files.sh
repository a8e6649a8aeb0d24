# SPDX-License-Identifier: GPL-3.0-or-later
# JSON and pictures; a warning is in all of them. Standard output has one thing.
cp "$DATA/own-part.json" .
railsag models own-part.json --bench --quiet --json result.json --plot own.svg | head -n 1
sed -n '1,/"results"/p' result.json
sed -n 's/^      "\([a-z_]*\)".*/\1/p' result.json | sort | uniq -c | sed 's/^ *//'
sed -n '/"short_circuit_source"/,/"why"/ s/\(0.0[0-9]\)[0-9]*/\1/gp' result.json
for kind in svg png pdf; do
    railsag models own-part.json --bench --quiet --plot own.$kind >table || echo $?
    test -s table || echo no table
done
head -c 5 own.svg
head -c 4 own.png | tail -c 3
head -c 5 own.pdf
echo
railsag models own-part.json --bench --quiet --plot - | head -c 5
echo
railsag models own-part.json --bench --quiet --json - | head -n 1
railsag models own-part.json --bench --quiet --plot - >/dev/full
echo $?
ls -A
