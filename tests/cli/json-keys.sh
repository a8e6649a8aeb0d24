# SPDX-License-Identifier: GPL-3.0-or-later
# The keys of each result, in order.
for command in check bias response levels headroom; do
    echo $command
    points=
    case $command in response | levels | headroom) points="--points 2" ;; esac
    railsag $command "$EXAMPLES/heron.json" --quiet --supply 9V $points --json - |
        sed -n "/^  \"results\"/,/^    }/ s/^      \"\([a-z_]*\)\".*/  \1/p"
done
