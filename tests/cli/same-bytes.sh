# SPDX-License-Identifier: GPL-3.0-or-later
# Whatever the number of threads.
cp "$EXAMPLES/heron.json" .
for threads in 1 2 3; do
    railsag levels heron.json --quiet --supply 9V,5V --points 9 --threads $threads --json l$threads --csv c$threads >t$threads
    railsag headroom heron.json --quiet --supply 9V --points 3 --threads $threads --json h$threads >u$threads
    railsag battery heron.json --quiet --threads $threads --json b$threads >v$threads
done
for kind in l c t h u b v; do cmp ${kind}1 ${kind}2 && cmp ${kind}1 ${kind}3; done
