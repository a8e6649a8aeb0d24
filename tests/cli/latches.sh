# SPDX-License-Identifier: GPL-3.0-or-later
# Feedback to the wrong input: one reason throughout, and no figure that the board would not show.
for command in response levels headroom; do
    points="--points 2"
    [ $command != levels ] || points="$points --level hard"
    railsag $command "$DATA/latch.json" --supply 9V,5V $points >table 2>messages && echo "$command: exit status 0"
    grep -h "latches\|error" table messages
done
railsag bias "$DATA/latch.json" --supply 9V --json bias.json 2>messages | grep "latches\|U1A"
grep status bias.json
railsag check "$DATA/latch.json" --supply 9V | grep -A 2 latches
