# SPDX-License-Identifier: GPL-3.0-or-later
for set in bas=30% bass bass=300% bass=10%,treble=20% bass=0,5 "bass=0%,50" bass=loud; do railsag bias "$EXAMPLES/heron.json" --set "$set"; done; exit 2
