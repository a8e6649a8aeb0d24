# SPDX-License-Identifier: GPL-3.0-or-later
# Common practice: a low-drain preamp outlasts a year at an hour or two a day, though many replace the battery every six
# months; one with hungry op-amps does not. Even with the poorest make.
for opamp in tl062 tl072 ne5532; do
    railsag battery "$EXAMPLES/plover.json" --quiet --plugged-in 1h/day,2h/day --change U1A,U1B=$opamp --json - |
        sed -n 's/^ *"months_range": //p' | tr -d '{}[]":,' |
        awk -v opamp=$opamp '{ print opamp, ($2 > 12 && $5 > 12 ? "beyond a year" : $3 < 12 && $6 < 12 ? "less than a year" : "about a year: " $0) }'
done
railsag battery "$EXAMPLES/plover.json" --battery nimh-8.4v --plugged-in 2h/day >table
grep -c "charge again at" table
grep -c "only in a charger made for it" table
