# SPDX-License-Identifier: GPL-3.0-or-later
railsag headroom "$EXAMPLES/heron.json" --supply 2V --points 3 --json -
