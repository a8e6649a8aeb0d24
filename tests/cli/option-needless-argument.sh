# SPDX-License-Identifier: GPL-3.0-or-later
railsag levels heron.json --stiff=yes
