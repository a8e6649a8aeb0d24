# SPDX-License-Identifier: GPL-3.0-or-later
cp "$EXAMPLES/heron.json" .
echo old >target.csv
chmod 640 target.csv
ln -s target.csv out.csv
railsag response heron.json --quiet --supply 9V --points 5 --csv out.csv >table
wc -l <target.csv
test -h out.csv && echo link
stat -c %a target.csv
echo old >target.csv
railsag response heron.json --quiet --supply 9V --set bass=1000% --csv target.csv
cat target.csv
