# SPDX-License-Identifier: GPL-3.0-or-later
# The picture in the README is the one that railsag draws now. Letters depend on the font of the machine: where
# the first two have another outline, everything has another place, and nothing can be compared.
railsag levels "$EXAMPLES/heron.json" --quiet --plot new.svg >table
for picture in "$EXAMPLES/heron-levels.svg" new.svg; do
    grep -A 1 "<symbol" "$picture" | head -n 5 | cksum
done | sort -u >letters
if [ "$(wc -l <letters)" = 1 ]; then
    # Numbers may differ by a hundredth of a point, from one C library to another.
    tr -s " \"" "\n\n" <"$EXAMPLES/heron-levels.svg" >old
    tr -s " \"" "\n\n" <new.svg | paste old - | awk -F "\t" "
        \$1 != \$2 && (\$1 !~ /^-?[0-9.]+\$/ || \$2 !~ /^-?[0-9.]+\$/ || (\$1 - \$2) ^ 2 > 1e-4) {
            print \"line \" NR \": \" \$1 \" is now \" \$2
            print \"look at the picture that levels draws now, and if it is right copy it to examples/heron-levels.svg\"
            exit
        }"
fi
