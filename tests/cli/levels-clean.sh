# SPDX-License-Identifier: GPL-3.0-or-later
# A soft level is the small-signal curve: the same to 0.01 dB. A loud one at 5 V clips: THD well over 10 %, at a rail.
cp "$EXAMPLES/heron.json" .
railsag response heron.json --quiet --supply 9V --points 4 --csv - | awk -F, -f "$DATA/pick.awk" -v names=gain_db >small
railsag levels heron.json --quiet --supply 9V --level=-60dBV --points 4 --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=gain_db >soft
paste small soft | awk "{ d = \$1 - \$2; print (d < 0.01 && d > -0.01) ? \"same\" : \"differs by \" d }"
railsag levels heron.json --quiet --supply 5V --level 2Vpk --frequency 41.2Hz --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=thd_f_percent,limited_by | awk "{ print (\$1 > 10), \$2, substr(\$3, 1, 4) }"
