# SPDX-License-Identifier: GPL-3.0-or-later
for change in R77=22k C1=22k U1A=tl07 R7; do railsag bias "$EXAMPLES/heron.json" --change "$change"; done; exit 2
