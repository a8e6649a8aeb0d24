# SPDX-License-Identifier: GPL-3.0-or-later
# A capacitor on an output: quiet, ringing, oscillating; told once for all supplies, by every command, with no figure of a
# signal in the last case.
for farad in 100p 330p 3n; do
    echo "$farad"
    railsag check "$DATA/cable.json" --supply 9V,7V --change C4=$farad | grep -E -A 4 "rings|oscillates"
    railsag check "$DATA/cable.json" --supply 9V --change C4=$farad --json check.json 2>messages >table
    sed -n "s/\.\([0-9]\)[0-9]*/.\1/g; s/^      \(\"status\"\|\"least_damped\"\)/  \1/p" check.json
done
for command in bias response levels headroom; do
    points=
    case $command in response | levels | headroom) points="--points 2" ;; esac
    [ $command != levels ] || points="$points --level hard"
    railsag $command "$DATA/cable.json" --supply 9V $points >table 2>messages || echo "$command: exit status $?"
    grep -h "oscillates" table messages
done
# The cable may hang on the output itself.
railsag check "$DATA/cable.json" --supply 9V --change C4=10p --change C3=100u --load "1M + 3n" | grep -A 1 "oscillates"
