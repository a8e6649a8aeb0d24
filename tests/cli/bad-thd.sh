# SPDX-License-Identifier: GPL-3.0-or-later
for thd in 0 200% one; do railsag headroom heron.json --thd $thd; done; railsag headroom heron.json --slope 6; exit 2
