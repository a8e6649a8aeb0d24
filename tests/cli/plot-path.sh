# SPDX-License-Identifier: GPL-3.0-or-later
# A path that cannot be written fails before anything is computed.
cp "$EXAMPLES/heron.json" .
mkdir folder.svg
railsag levels heron.json --points 5000 --plot no-folder/levels.svg
echo $?
railsag levels heron.json --points 5000 --plot folder.svg
echo $?
find . | sort
