# SPDX-License-Identifier: GPL-3.0-or-later
# The same board with an op-amp whose input range does not hold half the supply, and with one that 7 V lies above.
for model in opa1642 mcp6022; do
    railsag check "$EXAMPLES/heron.json" --change U1A,U1B=$model --supply 7V,5V | grep -A 3 "input rests\|rated for"
done
