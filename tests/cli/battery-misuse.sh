# SPDX-License-Identifier: GPL-3.0-or-later
sed 's/, "battery": "6lr61"//' "$EXAMPLES/heron.json" >none.json
sed 's/"positive": "bat", "negative": "ground"/"positive": "bat", "negative": "low", "middle": "ground"/; s/"ground"\]}/"low"]}/' "$EXAMPLES/heron.json" >halves.json
try() {
    railsag battery "$@" >table
    echo $?
    test ! -s table || echo "something was printed"
}
try none.json
try halves.json --in-series 1
for bad in "--battery nothing" "--in-series 0" "--in-series 2,1" "--in-series 12" "--plugged-in 2h" "--plugged-in 2/day" \
    "--plugged-in 25h/day" "--plugged-in 0h/day" "--plugged-in 1h/day,1h/day" "--plugged-in ," "--until 12V" "--until 0V" \
    "--replace-at 9.6V" "--replace-margin hard" "--replace-margin loud:3dB" "--replace-margin hard:3" "--supply 9V"; do
    try "$EXAMPLES/heron.json" $bad
done
