# SPDX-License-Identifier: GPL-3.0-or-later
railsag check "$EXAMPLES/heron.json" --supply 18V,9V
