# SPDX-License-Identifier: GPL-3.0-or-later
railsag levels "$EXAMPLES/heron.json" --supply 3V:18V:0.1V --points 10000
railsag bias "$EXAMPLES/heron.json" --supply 3V:18V:0.001V
railsag bias "$EXAMPLES/heron.json" --set bass=0%:100%:1% --set treble=0%:100%:1%
exit 2
