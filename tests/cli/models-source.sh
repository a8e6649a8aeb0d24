# SPDX-License-Identifier: GPL-3.0-or-later
railsag models TL072 | grep -A 1 "gain_bandwidth  "
railsag models "$SOURCE/models/opamps/tl072.json" | head -n 1
railsag models tl0772
