# SPDX-License-Identifier: GPL-3.0-or-later
# A part of one's own, by its path and by its name: what it lacks is not given, and a short-circuit current that its drops
# do not let through is outside. A path and a name lead to it as they do in a design.
cp "$DATA/own-part.json" .
railsag models ./own-part.json --bench
echo $?
railsag models own-part.json --bench --quiet | head -n 3
railsag models own-part
echo $?
mkdir -p data/railsag/models/opamps
cp own-part.json data/railsag/models/opamps
XDG_DATA_HOME=$PWD/data railsag models Own-Part --bench --quiet | sed -n '5,6p'
sed 's/tl072/own-part/' "$EXAMPLES/heron.json" >heron.json
railsag bias heron.json --supply 9V --quiet >table
echo $?
