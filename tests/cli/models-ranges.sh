# SPDX-License-Identifier: GPL-3.0-or-later
# Inside, outside and beyond: an op-amp that 18 V destroys and one that stops, a battery, and what a file leaves out.
railsag models tlv2372 | grep -A 6 "^At the usual"
railsag models opa1642 | grep -A 7 "^At the usual"
railsag models 6lr61 | grep -A 6 "^At the usual"
railsag models lm358 | grep -A 2 "^Left out"
