# SPDX-License-Identifier: GPL-3.0-or-later
railsag response "$EXAMPLES/heron.json" --supply 60V,9V --points 3 --json out.json >table
echo $?
grep -c "would damage" out.json
railsag response "$EXAMPLES/heron.json" --supply 60V,40V --points 3 >table
echo $?
