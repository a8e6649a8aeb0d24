# SPDX-License-Identifier: GPL-3.0-or-later
# Milli where mega is meant: computed, and said.
railsag response "$DATA/low-pass.json" --supply 9V --change R1=1m --points 2 >table
railsag response "$DATA/low-pass.json" --supply 9V --change R1=0 --points 2 >table
