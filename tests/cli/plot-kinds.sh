# SPDX-License-Identifier: GPL-3.0-or-later
# Each command writes each kind of picture and still prints its table.
cp "$EXAMPLES/heron.json" .
for command in response levels headroom; do
    for kind in svg png pdf; do
        railsag $command heron.json --supply 9V,5V --points 7 --quiet --plot $command.$kind >table || echo $?
        test -s table || echo "$command --plot: no table"
        case $kind in
        svg) head -c 5 $command.svg ;;
        png) head -c 4 $command.png | tail -c 3 ;;
        pdf) head -c 5 $command.pdf ;;
        esac
        echo " $command.$kind"
        rm $command.$kind
    done
done
railsag levels heron.json --supply 9V --points 3 --quiet --plot LEVELS.PDF >table
head -c 4 LEVELS.PDF
