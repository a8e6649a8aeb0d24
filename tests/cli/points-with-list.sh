# SPDX-License-Identifier: GPL-3.0-or-later
railsag response heron.json --frequency 41Hz,98Hz --points 5
