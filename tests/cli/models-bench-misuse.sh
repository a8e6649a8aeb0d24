# SPDX-License-Identifier: GPL-3.0-or-later
# Without a name, of a battery, of nothing; and what only the bench can write.
railsag models --bench
echo $?
railsag models 6lr61 --bench
echo $?
railsag models tl0772 --bench
echo $?
railsag models ./none.json --bench
echo $?
railsag models tl072 --json result.json
echo $?
railsag models tl072 --plot picture.svg
echo $?
railsag models tl072 --bench --plot picture.jpg
echo $?
railsag models tl072 --bench --json none/result.json
echo $?
ls -A
