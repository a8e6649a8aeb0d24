# SPDX-License-Identifier: GPL-3.0-or-later
# The OPTIONS of the man page are those of the program.
railsag help --man >program
sed -n "/^\.Sh OPTIONS/,/^\.Sh RESULTS/ p" "$SOURCE/cli/railsag.1" | sed "\$d" >page
diff page program
