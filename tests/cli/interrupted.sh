# SPDX-License-Identifier: GPL-3.0-or-later
# Ctrl-C while computing: nothing is left, and the signal is passed on.
exec 2>/dev/null # where the shell tells of the signal as well
cp "$EXAMPLES/heron.json" .
for signal in INT TERM; do
    # A shell starts background jobs with SIGINT ignored; env hands it back its default.
    env --default-signal=INT railsag levels heron.json --quiet --points 5000 --json out.json >table &
    sleep 0.7
    kill -$signal $!
    wait $!
    echo $?
    ls -A
done
