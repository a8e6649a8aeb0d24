# SPDX-License-Identifier: GPL-3.0-or-later
for span in 0.5Hz:20kHz 20kHz:20Hz 20Hz:2MHz 0.1Hz abc 20Hz:; do railsag response heron.json --frequency "$span"; done; exit 2
