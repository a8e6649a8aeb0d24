# SPDX-License-Identifier: GPL-3.0-or-later
for supply in 9W 0V 200V "" 9V,,7V 9,6V 18,9,7V; do railsag levels heron.json --supply "$supply" && exit 9; done; exit 2
