# SPDX-License-Identifier: GPL-3.0-or-later
# Every example that help shows runs on the design that it names.
cp "$EXAMPLES/heron.json" .
for command in check bias response levels headroom models; do
    railsag $command --help | sed -n "/^Examples:/,\$ s/^  //p" >examples
    test -s examples || echo "no example of $command"
    while IFS= read -r line; do
        sh -c "$line" >table 2>messages </dev/null || { echo "$line: $?"; cat messages; }
        test -s table || echo "$line: prints nothing"
    done <examples
done
