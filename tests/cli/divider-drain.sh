# SPDX-License-Identifier: GPL-3.0-or-later
# 9 V over the 10 kohm of R2 alone: 0.9 mA (Ohm). Behind a battery of a few ohm a little less.
for supply in --stiff --quiet; do
    railsag bias "$DATA/low-pass.json" --supply 9V $supply --csv - |
        awk -F, -f "$DATA/pick.awk" -v names=quantity,name,value |
        awk "\$1 == \"drain_a\" { printf \"drain %.2f\n\", 1e3 * \$2 } \$2 == \"R2\" { printf \"R2 %.2f\n\", 1e3 * \$3 }"
done
