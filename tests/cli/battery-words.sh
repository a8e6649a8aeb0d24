# SPDX-License-Identifier: GPL-3.0-or-later
# Two batteries beside one: what they buy, and the cautions of two.
railsag battery "$EXAMPLES/heron.json" --in-series 1,2
