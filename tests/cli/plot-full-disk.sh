# SPDX-License-Identifier: GPL-3.0-or-later
# A full disk: the picture is reported, the table still comes.
cp "$EXAMPLES/heron.json" .
for kind in svg png pdf; do
    ln -s /dev/full full.$kind
    railsag response heron.json --supply 9V --points 7 --quiet --plot full.$kind >table
    echo $?
done
railsag response heron.json --supply 9V --points 7 --plot - >/dev/full
echo $?
test -s table && ls -A
