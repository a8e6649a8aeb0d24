# SPDX-License-Identifier: GPL-3.0-or-later
# Every rule once: a capacitor under its rating, one reversed, DC across a pot, an input near its rail, an idle amplifier.
railsag check "$DATA/unsound.json" --supply 9V
