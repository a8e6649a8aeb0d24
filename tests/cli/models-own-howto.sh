# SPDX-License-Identifier: GPL-3.0-or-later
# The manual's op-amp of one's own: its file is right, met by every figure, and works in a design beside it.
sed -n '/"name": "mypart"/,/^\.Ed/ { /^\.Ed/!p; }' "$SOURCE/cli/railsag-design.5" >mypart.json
cp "$EXAMPLES/heron.json" .
railsag models ./mypart.json --bench --plot mypart.svg | sed -n '5,/^20 figures/p'
railsag headroom heron.json --supply 9V --points 3 --quiet --change U1A,U1B=mypart | grep 'Hz  '
ls
