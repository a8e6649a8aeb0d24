# SPDX-License-Identifier: GPL-3.0-or-later
# An output that leaves class A into a line input; with the resistor that check names in its place; into a light load.
for load in line amp; do
    for change in R4=1M R4=27k; do
        echo "$load $change"
        railsag check "$DATA/class-b.json" --change $change --load $load --supply 9V,5V | grep -A 4 "class-B"
    done
done
true
