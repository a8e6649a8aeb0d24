# SPDX-License-Identifier: GPL-3.0-or-later
# Where a class-B output crosses over, that ends clean playing long before a limit is met: table and sentence say so.
railsag headroom "$DATA/class-b-follower.json" --supply 9V --frequency 6kHz --quiet | tail -n +5
