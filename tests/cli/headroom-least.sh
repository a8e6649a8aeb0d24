# SPDX-License-Identifier: GPL-3.0-or-later
# The least margin: at one frequency, at all of a flat curve, and none where soft playing distorts already.
for set in "--supply 9V" "--supply 9V --set bass=50% --set treble=50%" "--supply 3V"; do
    railsag headroom "$EXAMPLES/heron.json" --frequency 40Hz,100Hz,400Hz $set --quiet | sed -n "/^Least/,\$ p"
done
