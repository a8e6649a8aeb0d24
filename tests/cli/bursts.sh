# SPDX-License-Identifier: GPL-3.0-or-later
# A stage that is stable at rest: one that may burst on the crests of the signal, and one whose loop needs all of its gain,
# so that it oscillates once it slews; its part slews far sooner than any that is made, which is warned of elsewhere.
railsag check "$DATA/crests.json" --supply 18V | tail -n 1
railsag levels "$DATA/crests.json" --supply 18V --points 3 --level soft,extreme --json levels.json 2>&1 | grep -v "^$"
round() { sed "s/\.\([0-9]\)[0-9]*/.\1/g"; }
grep "burst_hz\|status" levels.json | round
railsag headroom "$DATA/crests.json" --supply 18V --points 2 2>&1 | grep burst
railsag check "$DATA/lags.json" --supply 18V | tail -n 3
railsag levels "$DATA/lags.json" --supply 18V --frequency 1kHz,3200Hz --level 20mVpk,0.17Vpk,0.5Vpk --json levels.json 2>&1 |
    grep -v "^$\|already slew"
grep "gain_db\|burst_hz\|status" levels.json | round
railsag headroom "$DATA/lags.json" --supply 18V --points 2 2>&1 | grep -v "^$\|already slew"
