# SPDX-License-Identifier: GPL-3.0-or-later
# A picture on standard output comes alone, as SVG.
railsag response "$EXAMPLES/heron.json" --supply 9V --points 7 --plot - >picture || echo $?
head -n 1 picture
tail -n 1 picture
grep -c "<svg" picture
railsag response "$EXAMPLES/heron.json" --supply 9V --points 7 --plot - | head -c 5
