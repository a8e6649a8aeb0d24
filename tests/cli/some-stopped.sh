# SPDX-License-Identifier: GPL-3.0-or-later
# One supply too low for a part: the others come out, and the table says why it is empty there.
railsag response "$EXAMPLES/heron.json" --supply 9V,2V --points 2 --quiet | grep "supply\|Hz\|^not"
