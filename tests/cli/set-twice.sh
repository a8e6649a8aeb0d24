# SPDX-License-Identifier: GPL-3.0-or-later
railsag bias "$EXAMPLES/heron.json" --set bass=30% --set Bass=40%
