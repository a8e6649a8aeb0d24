# SPDX-License-Identifier: GPL-3.0-or-later
# The example of the format page is a sound design.
sed -n "/^\.Sh EXAMPLES/,\$ p" "$SOURCE/cli/railsag-design.5" | sed "1,/^\.Bd -literal/ d; /^\.Ed/,\$ d" >buffer.json
railsag response buffer.json --supply 12V --frequency 1kHz --csv out.csv --quiet >table
awk -F, -f "$DATA/pick.awk" -v names=gain_db out.csv | awk "{ print (\$1 < 0 && \$1 > -0.1) ? \"unity\" : \$1 }"
