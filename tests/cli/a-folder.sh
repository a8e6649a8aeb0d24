# SPDX-License-Identifier: GPL-3.0-or-later
mkdir heron.json; railsag check heron.json
