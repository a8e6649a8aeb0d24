# SPDX-License-Identifier: GPL-3.0-or-later
railsag levels "$EXAMPLES/heron.json" --level 1V
