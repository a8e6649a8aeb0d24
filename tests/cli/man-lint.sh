# SPDX-License-Identifier: GPL-3.0-or-later
command -v mandoc >which || exit 0
cd "$SOURCE/cli" && mandoc -T lint railsag.1 railsag-design.5
