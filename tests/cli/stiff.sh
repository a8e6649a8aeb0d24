# SPDX-License-Identifier: GPL-3.0-or-later
# Without battery resistance the terminals are at the voltage asked for, with it below; nothing is extrapolated upwards.
for option in --stiff --quiet; do
    railsag bias "$EXAMPLES/heron.json" $option --supply 9V --csv - 2>messages | awk -F, -f "$DATA/pick.awk" -v names=supply_v,terminal_v |
        uniq | awk "{ print (\$2 == \$1) ? \"same\" : (\$2 < \$1 && \$2 > 0.95 * \$1) ? \"a little less\" : \"odd \" \$2 }"
done
