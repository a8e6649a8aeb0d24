# SPDX-License-Identifier: GPL-3.0-or-later
# Supplies that a part does not work at leave gaps, and the picture comes all the same.
cp "$EXAMPLES/heron.json" .
for command in response levels headroom; do
    railsag $command heron.json --supply 9V,2V --points 7 --quiet --plot $command.pdf >table
    echo $?
    railsag $command heron.json --supply 2V --points 7 --quiet --plot $command.svg >table
    echo $?
done
railsag levels heron.json --supply 50V --points 7 --quiet --plot damage.png >table
echo $?
ls
