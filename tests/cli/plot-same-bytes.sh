# SPDX-License-Identifier: GPL-3.0-or-later
# The same command gives the same picture, whatever the number of threads.
cp "$EXAMPLES/heron.json" .
for kind in svg png pdf; do
    railsag levels heron.json --supply 9V,3V --points 13 --quiet --plot a.$kind >table
    railsag levels heron.json --supply 9V,3V --points 13 --quiet --threads 1 --plot b.$kind >table
    cmp a.$kind b.$kind && echo same
    railsag battery heron.json --quiet --plot c.$kind >table
    railsag battery heron.json --quiet --threads 1 --plot d.$kind >table
    cmp c.$kind d.$kind && echo same
done
