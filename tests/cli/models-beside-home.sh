# SPDX-License-Identifier: GPL-3.0-or-later
# The user's own folder comes before the installed one; an empty or a relative one counts as unset.
mkdir -p data/railsag/models home/.local/share/railsag/models
sed "s/\"title\": \"[^\"]*\"/\"title\": \"my own\"/" "$SOURCE/models/opamps/tl072.json" >data/railsag/models/tl072.json
sed "s/my own/at home/" data/railsag/models/tl072.json >home/.local/share/railsag/models/tl072.json
XDG_DATA_HOME=$PWD/data HOME=$PWD/home railsag models tl072 | head -n 1
XDG_DATA_HOME= HOME=$PWD/home railsag models tl072 | head -n 1
XDG_DATA_HOME=data HOME=$PWD/home railsag models tl072 | head -n 1
XDG_DATA_HOME= HOME=home railsag models tl072 | head -n 1 | grep -c dual
