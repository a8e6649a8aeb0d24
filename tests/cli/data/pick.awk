# SPDX-License-Identifier: GPL-3.0-or-later
# awk -F, -f pick.awk -v names=a,b: these columns of a CSV file without quoted cells, in this order, separated by blanks.
NR == 1 {
    count = split(names, wanted, ",")
    for (i = 1; i <= NF; i++) {
        place[$i] = i
    }
    for (i = 1; i <= count; i++) {
        if (!(wanted[i] in place)) {
            print "no column " wanted[i]
            exit 1
        }
    }
    next
}
{
    line = ""
    for (i = 1; i <= count; i++) {
        line = line (i > 1 ? " " : "") $(place[wanted[i]])
    }
    print line
}
