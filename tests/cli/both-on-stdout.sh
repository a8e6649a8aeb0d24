# SPDX-License-Identifier: GPL-3.0-or-later
railsag response heron.json --json - --csv -
