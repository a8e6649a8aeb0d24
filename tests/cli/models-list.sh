# SPDX-License-Identifier: GPL-3.0-or-later
railsag models | grep -c "^  [a-z0-9]" >count
test $(cat count) -ge 10 || cat count
railsag models | grep "^  tl072 "
