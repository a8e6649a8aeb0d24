# SPDX-License-Identifier: GPL-3.0-or-later
railsag check heron.json plover.json
