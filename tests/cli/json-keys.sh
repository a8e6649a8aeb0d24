# SPDX-License-Identifier: GPL-3.0-or-later
# The keys of each result, in order.
for command in check bias response levels headroom battery; do
    echo $command
    points=
    case $command in
    check | bias) points="--supply 9V" ;;
    response | levels | headroom) points="--supply 9V --points 2" ;;
    esac
    railsag $command "$EXAMPLES/heron.json" --quiet $points --json - |
        sed -n "/^  \"results\"/,/^    }/ s/^      \"\([a-z_]*\)\".*/  \1/p"
done
