# SPDX-License-Identifier: GPL-3.0-or-later
# Supplies, then settings, then levels, each in the order asked for.
railsag levels "$EXAMPLES/heron.json" --quiet --supply 5V,9V --set bass=100%,0% --level hard,-30dBV,soft --points 2 --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=supply_v,control_bass,input_vpk,playing_level | awk "{ printf \"%s %s %.4f %s\n\", \$1, \$2, \$3, \$4 }" | uniq
