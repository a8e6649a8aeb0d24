# SPDX-License-Identifier: GPL-3.0-or-later
# The margin is the largest clean input over the assumed playing level: over 1 Vpk (-3.0103 dBV) at 100 Hz, and with 6 dB an
# octave 6 dB less at 800 Hz.
railsag headroom "$EXAMPLES/heron.json" --quiet --supply 9V --frequency 100Hz,800Hz --csv - |
    awk -F, -f "$DATA/pick.awk" -v names=max_input_dbv,margin_hard_db | awk "{ printf \"%.2f\n\", \$2 - \$1 }"
