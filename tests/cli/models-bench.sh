# SPDX-License-Identifier: GPL-3.0-or-later
# An op-amp of the library: figures beside the file's, and where these come from.
railsag models TL072 --bench | sed -n '1p; 3,/^ *30 V *13/p; /^66 figures/,/^  gain_bandwidth/p'
railsag models "$SOURCE/models/opamps/lm358.json" --bench | grep -c not
