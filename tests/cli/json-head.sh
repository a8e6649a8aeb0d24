# SPDX-License-Identifier: GPL-3.0-or-later
cp "$EXAMPLES/heron.json" .
railsag response heron.json --quiet --supply 9V --set bass=0%,100% --change R7=22k --load "1M + 500p" --points 2 --json - | sed -n "1,/\"results\"/ p"
