# SPDX-License-Identifier: GPL-3.0-or-later
# The rule that is asked for decides, and is stated.
for rule in "--replace-at 6.5V" "--replace-margin hard:-7dB" "--replace-margin normal:-4dB,hard:-20dB" "--until 7V"; do
    railsag battery "$EXAMPLES/heron.json" --quiet --plugged-in 2h/day $rule >table
    sed -n "/^9 V: replace/,/^Hours in brackets\|brackets:/p" table | tr "\n" " " | sed "s/, after.*because/ because/; s/ Hours in.*//; s/ A steady sine.*than that\.//; s/at [0-9.]* V because/because/; s/: at [0-9.]* Hz U1B rail[+-] comes first//; s/of [-0-9.]* dB there, [0-9.]* dB less/of some dB there, some dB less/"
    echo
done
