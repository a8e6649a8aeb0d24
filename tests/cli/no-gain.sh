# SPDX-License-Identifier: GPL-3.0-or-later
# A buffer whose input rests out of its range once the battery has sagged: what leaks past it has no headroom, and it is a reason to
# replace the battery.
railsag headroom "$DATA/high-bias.json" --supply 9V,6V --frequency 100Hz,1kHz --quiet | sed -n '/^6 V/,$ p'
railsag battery "$DATA/high-bias.json" --replace-at 5V --quiet | sed -n '/^ *terminal *used/,/^$/ p; /^9 V: /,/^Rule/ p'
