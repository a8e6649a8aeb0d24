# SPDX-License-Identifier: GPL-3.0-or-later
# Closed form: 1 / (1 + j f / 1 kHz): -3.0103 dB and -45 degrees at the corner, -20.0432 dB and -84.2894 degrees at ten
# times it.
railsag response "$DATA/low-pass.json" --supply 9V --frequency 1kHz,10kHz --csv out.csv >table
awk -F, -f "$DATA/pick.awk" -v names=frequency_hz,gain_db,phase_deg,status out.csv |
    awk "{ printf \"%s %.2f %.2f %s\n\", \$1, \$2, \$3, \$4 }"
cat table
