# SPDX-License-Identifier: GPL-3.0-or-later
railsag check "$EXAMPLES/curlew.json"
