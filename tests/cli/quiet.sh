# SPDX-License-Identifier: GPL-3.0-or-later
railsag bias "$EXAMPLES/heron.json" --quiet --supply 60V,9V >table
